"""Figures that are no verdict on a foot: quotients and products of counts and published numbers."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Formula:
    """How a figure is worked out; its words are the label ``measure.<code>``.

    Parameters
    ----------
    code
        Stable name.
    area
        Question under which it is listed.
    formula
        Names of quantities (labels ``quantity.<name>``), indicators and published numbers.
    unit
        What its denominator counts.
    method
        Label of how its interval is made, and of what must be known to read it.
    """

    code: str
    area: str
    formula: str
    unit: str
    method: tuple[str, ...] = ()


_VALUE = ("method.value", "note.value_ranges", "note.spending_stated")
_COVERAGE = ("method.coverage", "note.births_stated")

FORMULAS: dict[str, Formula] = {
    formula.code: formula
    for formula in (
        Formula(
            "coverage",
            "access",
            "children_under_one / (live_births * birth_prevalence / 1000)",
            "birth",
            _COVERAGE,
        ),
        Formula(
            "expected_children",
            "access",
            "live_births * birth_prevalence / 1000",
            "birth",
            _COVERAGE,
        ),
        Formula(
            "records_passing",
            "records",
            "records_kept / (records_kept + records_quarantined)",
            "record",
            ("method.records",),
        ),
        Formula("cost_per_child", "value", "spending / children_begun", "child", _VALUE),
        Formula("cost_per_corrected_foot", "value", "spending / feet_corrected", "foot", _VALUE),
        Formula(
            "cost_per_lasting_foot",
            "value",
            "spending / (feet_corrected * relapse_free_2y)",
            "foot",
            _VALUE,
        ),
        Formula(
            "years_gained",
            "value",
            "children_begun * dalys_per_child * casting_completed / success_assumed",
            "child",
            _VALUE,
        ),
        Formula("cost_per_year_gained", "value", "spending / years_gained", "child", _VALUE),
    )
}
