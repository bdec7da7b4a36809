"""What a policy does to each shape."""

from __future__ import annotations

import pandas as pd
import pytest
from shown import context, estimates_frame

from analytics.definitions.policies import INTERNAL, PUBLIC
from analytics.display.words import findings
from analytics.results import COMPARISON, EFFECTS, ESTIMATES, FLOW, Phrase, Result
from analytics.sharing.clinics import OTHER_CLINICS
from analytics.sharing.protect import protect
from analytics.sharing.rounding import FEW


def estimates(rows: list[dict[str, object]], *groups: str, **changes: object) -> Result:
    beside = changes.pop("beside", {})
    return Result(ESTIMATES, estimates_frame(rows), context(**changes), groups, beside)  # type: ignore[arg-type]


def clinic_rows(sizes: dict[str, int]) -> list[dict[str, object]]:
    return [
        {"clinic": name, "n": n, "denominator": n, "numerator": n // 2} for name, n in sizes.items()
    ]


def test_the_internal_policy_withholds_nothing() -> None:
    result = estimates([{"n": 9, "denominator": 8, "numerator": 1, "outside": 1}])
    released = protect(result, INTERNAL)
    assert not released.hidden.to_numpy().any()
    assert released.frame["numerator"].tolist() == [1]
    assert released.context == result.context


def test_counts_come_to_the_nearest_ten_and_not_under_five() -> None:
    rows = [{"n": n, "denominator": n, "numerator": 0} for n in (0, 4, 5, 14, 15, 104, 105, 2960)]
    shown = protect(estimates(rows), PUBLIC)
    assert shown.frame["n"].fillna(-1).tolist() == [-1, -1, 10, 10, 20, 100, 110, 2960]
    assert shown.hidden["n"].tolist() == [True] * 2 + [False] * 6


def test_a_flow_is_rounded_and_few_leaving_are_not_counted_out() -> None:
    lines = [("corrected", 106, 83, "lost", 13), ("corrected", 106, 83, "died", 2),
             ("corrected", 106, 83, "moved", 3), ("corrected", 106, 83, "in_care", 5)]  # fmt: skip
    frame = pd.DataFrame(lines, columns=list(FLOW.columns))
    released = protect(Result(FLOW, frame, context("feet")), PUBLIC)
    assert released.frame["n_reason"].fillna(-1).tolist() == [10, -1, 10]
    assert released.frame["reason"].tolist() == ["lost", FEW, "in_care"]
    assert released.frame["n_in"].tolist() == [110] * 3
    assert released.frame["n_out"].tolist() == [80] * 3
    values = {"multiple": 10, "smallest": 5, "base": 50}
    assert released.notes[-1] == Phrase("protect.rounded", values)


def test_a_public_flow_by_file_is_shown_for_all_files_together() -> None:
    lines = [("a.csv", "rows_kept", 50, 40, "lost", 10), ("b.csv", "rows_kept", 20, 20, "none", 0)]
    frame = pd.DataFrame(lines, columns=["file", *FLOW.columns])
    released = protect(Result(FLOW, frame, context("rows", unit="row"), ("file",)), PUBLIC)
    assert released.groups == ()
    assert released.frame["n_in"].tolist() == [70, 70]
    assert released.frame["n_out"].tolist() == [60, 60]


@pytest.mark.parametrize(
    ("numerator", "denominator", "share"),
    [(410, 1000, 0.41), (413, 1004, 0.41), (280, 600, 0.47), (153, 303, 0.5), (128, 300, 0.44),
     (55, 120, 0.5), (32, 60, 0.5), (30, 44, None), (96, 104, 0.95), (7, 96, 0.1)],
)  # fmt: skip
def test_a_step_of_a_share_is_worth_five_of_those_counted(
    numerator: int, denominator: int, share: float | None
) -> None:
    """1% of 1,000, 1% of 600, 2% of 300, 5% of 120, 10% of 60; nothing of under 45.

    It is the share of the counts as shown: 130 of 300, 60 of 120; 100 of 100 is not called all.
    """
    rows = [{"n": denominator, "denominator": denominator, "numerator": numerator}]
    shown = protect(estimates(rows), PUBLIC).frame["estimate"].iloc[0]
    assert pd.isna(shown) if share is None else shown == pytest.approx(share)


def test_limits_promise_no_more_than_they_did() -> None:
    row = {"n": 300, "denominator": 300, "numerator": 128, "lower": 0.371, "upper": 0.489}
    shown = protect(estimates([row]), PUBLIC).frame.iloc[0]
    assert (shown["lower"], shown["upper"]) == (0.36, 0.5)


@pytest.mark.parametrize(
    ("numerator", "estimate", "lower", "upper"),
    [(297, 1.0, 0.9, 1.0), (300, 1.0, 0.9, 1.0), (3, 0.0, 0.0, 0.1), (0, 0.0, 0.0, 0.1)],
)
def test_few_of_many_and_all_but_few_are_nearly_none_and_nearly_all(
    numerator: int, estimate: float, lower: float, upper: float
) -> None:
    row = {"n": 300, "denominator": 300, "numerator": numerator}
    row |= {"lower": max(numerator / 300 - 0.09, 0), "upper": min(numerator / 300 + 0.09, 1)}
    shown = protect(estimates([row]), PUBLIC).frame.iloc[0]
    assert (shown["estimate"], shown["lower"], shown["upper"]) == (estimate, lower, upper)
    assert pd.isna(shown["numerator"]) == (numerator < 5)


@pytest.mark.parametrize("numerator", [3, 57])
def test_few_of_not_many_have_no_share(numerator: int) -> None:
    released = protect(estimates([{"n": 60, "denominator": 60, "numerator": numerator}]), PUBLIC)
    for column in ("estimate", "lower", "upper"):
        assert released.frame[column].isna().all()
        assert released.hidden[column].all()
    assert released.frame["denominator"].tolist() == [60]


def test_groups_of_few_have_no_row_and_do_not_say_why_units_were_not_counted() -> None:
    rows = [{"quarter": f"2024Q{i}", "n": n, "denominator": n - 9 * (n > 9), "numerator": 0,
             "outside": 9 * (n > 9)} for i, n in ((1, 4), (2, 80), (3, 3), (4, 90))]  # fmt: skip
    released = protect(estimates(rows, "quarter"), PUBLIC)
    assert released.frame["quarter"].tolist() == ["2024Q2", "2024Q4"]
    assert released.frame["outside"].isna().all()
    assert released.hidden["outside"].all()


def test_lines_of_one_measure_do_not_tell_how_many_were_lost() -> None:
    lines = (("seen", 297, 200), ("lowest", 300, 200), ("highest", 300, 203))
    rows = [{"measure": f"relapse_free_1y.{line}", "n": 400, "denominator": d, "numerator": k}
            for line, d, k in lines]  # fmt: skip
    released = protect(estimates(rows), PUBLIC)
    assert released.frame[["denominator", "numerator", "unknown"]].isna().all(axis=None)
    assert not released.hidden[["denominator", "numerator"]].any(axis=None)
    assert released.frame["estimate"].tolist() == pytest.approx([0.68, 0.66, 0.68])
    text = " ".join(findings(released, "en"))
    assert "68%" in text and "from" not in text


def test_what_was_expected_has_steps_of_its_own_size() -> None:
    lines = [("A", 412, 380, 401.3, 1.027, 1.02, 0.93, 1.13, "as_expected"),
             ("B", 300, 280, 333.3, 0.9, 0.91, 0.8, 1.0, "as_expected")]  # fmt: skip
    frame = pd.DataFrame(lines, columns=list(COMPARISON.columns))
    shown = protect(Result(COMPARISON, frame, context("clinics_casts")), PUBLIC).frame
    assert shown["expected"].tolist() == pytest.approx([400, 330])
    assert shown["estimate"].tolist() == pytest.approx([1.02, 0.9])
    assert shown["upper"].tolist() == pytest.approx([1.14, 1.0])


def test_counts_by_themselves_are_rounded_as_figures_too() -> None:
    rows = [{"measure": "children_begun", "n": 128, "denominator": 128, "numerator": 0,
             "estimate": 128.0, "lower": None, "upper": None}]  # fmt: skip
    assert protect(estimates(rows), PUBLIC).frame["estimate"].tolist() == [130.0]


def test_other_figures_come_in_steps_of_their_own_size() -> None:
    """Days and casts of 400 feet: 5 of 400 are 1.25% of the figure, so a step is 1, 2 or 5."""
    rows = [{"measure": measure, "n": 400, "denominator": 400, "numerator": 0, "estimate": figure,
             "lower": figure - 1, "upper": figure + 1} for measure, figure in
            (("wait_birth_to_visit.median", 83.0), ("casts", 5.83))]  # fmt: skip
    shown = protect(estimates(rows), PUBLIC).frame
    assert shown["estimate"].tolist() == pytest.approx([84.0, 5.8])
    assert shown["lower"].tolist() == pytest.approx([82.0, 4.8])
    assert shown["upper"].tolist() == pytest.approx([84.0, 6.9])


def test_small_clinics_are_shown_as_one_under_no_name() -> None:
    rows = clinic_rows({"Asmara": 60, "Birao": 90, "Cinta": 12, "Dori": 16, "Edu": 40})
    released = protect(estimates(rows, "clinic"), PUBLIC)
    assert released.frame["clinic"].tolist() == ["A", "B", "C", OTHER_CLINICS]
    assert released.frame["n"].tolist() == [90, 60, 40, 30]
    assert pd.isna(released.frame["estimate"].iloc[3])
    assert not released.hidden["estimate"].iloc[3]
    assert Phrase("protect.merged", {"n_clinics_merged": 2, "smallest": 10}) in released.notes


def test_a_small_clinic_alone_is_joined_by_the_next() -> None:
    rows = clinic_rows({"Asmara": 60, "Birao": 90, "Cinta": 12, "Edu": 40})
    shown = protect(estimates(rows, "clinic"), PUBLIC).frame
    assert shown["n"].tolist() == [90, 60, 50]


def test_children_by_clinic_say_which_are_small() -> None:
    rows = clinic_rows({"Asmara": 16, "Birao": 16, "Cinta": 16})
    children = pd.DataFrame({"clinic": ["Asmara", "Birao", "Cinta"], "children": [12, 11, 10]})
    shown = protect(estimates(rows, "clinic", beside={"children": children}), PUBLIC).frame
    assert OTHER_CLINICS not in set(shown["clinic"])


def test_a_report_may_give_the_letters() -> None:
    rows = clinic_rows({"Asmara": 60, "Birao": 90})
    codes = {"Asmara": "B", "Birao": "A"}
    shown = protect(estimates(rows, "clinic"), PUBLIC, codes=codes).frame
    assert shown["clinic"].tolist() == ["A", "B"]
    assert shown["n"].tolist() == [90, 60]


def test_effects_of_a_small_level_and_of_clinics_do_not_leave() -> None:
    lines = [
        ("pirani_start", "", "", 203, 52, 1.31, 1.14, 1.52, 0.0013),
        ("adherence_early", "partly", "as_advised", 62, 20, 1.96, 1.4, 2.6, 0.0127),
        ("adherence_early", "not", "as_advised", 93, 4, 4.0, 0.5, 30.0, 0.2),
        ("adherence_early", "unknown", "as_advised", 43, 24, 4.0, 0.5, 30.0, 0.2),
        ("clinic", "Asmara", "Birao", 100, 20, 1.0, 0.8, 1.2, 0.9),
    ]
    frame = pd.DataFrame(lines, columns=list(EFFECTS.columns))
    beside = {"covariance": pd.DataFrame([[1.0]])}
    released = protect(
        Result(EFFECTS, frame, context("relapse_effects", n_feet=200, n_events=50), (), beside),
        PUBLIC,
    )
    shown = released.frame
    assert "clinic" not in set(shown["term"])
    assert shown["n"].tolist() == [200, 60, 90, 40]
    assert shown["events"].fillna(-1).tolist() == [50, 20, -1, 20]
    assert shown["estimate"].fillna(-1).tolist() == pytest.approx([1.3, 2.0, -1, -1])
    assert shown["lower"].fillna(-1).tolist() == pytest.approx([1.1, 1.4, -1, -1])
    assert shown["p"].fillna(-1).tolist() == pytest.approx([0.001, 0.01, -1, -1])
    assert released.beside == {}


def test_a_table_split_by_two_columns_is_withheld_whole() -> None:
    rows = [{"quarter": "2024Q1", "severity_band": b, "n": 50, "denominator": 50, "numerator": 25}
            for b in ("mild", "severe")]  # fmt: skip
    released = protect(estimates(rows, "quarter", "severity_band"), PUBLIC)
    assert released.frame.empty
    assert Phrase("protect.too_fine") in released.notes
    assert "withheld" in findings(released, "en")[0]


def test_the_same_people_in_two_currencies_are_not_split_by_it() -> None:
    rows = [{"period": "2024", "currency": "USD", "measure": "cost_per_child", "n": 430,
             "denominator": 431, "numerator": 62000, "estimate": 62000 / 431, "lower": None,
             "upper": None}]  # fmt: skip
    shown = protect(estimates(rows, "period", "currency"), PUBLIC).frame
    assert shown["estimate"].tolist() == pytest.approx([144.0])
    assert shown["denominator"].tolist() == [430]


def test_the_context_says_months_and_no_exact_or_small_count() -> None:
    result = estimates(
        [{"n": 50, "denominator": 50, "numerator": 25}],
        n_feet=3046,
        n_clinics=14,
        n_events=3,
        exclusions=(("lost", 2), ("died", 33), ("none", 7)),
        notes=(Phrase("note.x", {"n_feet": 4, "n_events": 27, "n_clinics": 14, "days": 4}),),
    )
    context_ = protect(result, PUBLIC).context
    assert context_.cut_off.isoformat() == "2025-03-01"
    assert (context_.n_feet, context_.n_clinics, context_.n_events) == (3050, 14, None)
    assert context_.exclusions == (("lost", None), ("died", 30), ("none", 10))
    values = {"n_feet": None, "n_events": 30, "n_clinics": 14, "days": 4}
    assert context_.notes[0].values == values
