"""The columns and cells of each shape's table."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass

from analytics.definitions.labels import label
from analytics.definitions.steps import unit_of_step
from analytics.display import measures, numbers, terms
from analytics.display.curve_table import count_words, parts_of, read_at, ticks
from analytics.display.readings import (
    Row,
    effect_name,
    is_share_of,
    rows_of,
    scale_of_comparison,
    scale_of_trend,
    written_scale,
)
from analytics.display.sentences import time_words
from analytics.results import COMPARISON, CURVE, EFFECTS, ESTIMATES, FLOW, PROFILE, TREND
from analytics.sharing.protect import Released


@dataclass(frozen=True)
class Cell:
    """One cell: its value as data, its text, and whether it was withheld or names its row."""

    value: int | float | str | None
    text: str
    withheld: bool = False
    is_header: bool = False


@dataclass(frozen=True)
class Column:
    """One column: its name, its words, and whether it holds numbers."""

    name: str
    words: str
    is_number: bool = False


Made = tuple[tuple[Column, ...], tuple[tuple[Cell, ...], ...]]


@dataclass(frozen=True)
class _Writer:
    """Writes cells of one released result in one language."""

    released: Released
    language: str

    def column(self, name: str, *, is_number: bool = False) -> Column:
        question = self.released.context.question
        return Column(name, terms.column_of(question, name, self.language), is_number)

    def group_columns(self) -> list[Column]:
        return [self.column(name) for name in self.released.groups]

    def groups(self, row: Row) -> list[Cell]:
        pairs = zip(self.released.groups, row.groups, strict=True)
        return [self.header(name, value) for name, value in pairs]

    def unit(self, row: Row) -> Cell:
        """Return what is counted under the measure that names the row."""
        context = self.released.context
        unit = measures.unit_of(str(row.groups[0]), context.unit, context.own_measures)
        return Cell(words := numbers.units(None, unit, self.language), words)

    def header(self, name: str, value: object) -> Cell:
        words = terms.level(name, value, self.language)
        return Cell(value if isinstance(value, int | float) else words, words, is_header=True)

    def withheld(self) -> Cell:
        return Cell(None, label(self.language, "word.withheld"), withheld=True)

    def count(self, row: Row, name: str) -> Cell:
        if name in row.hidden:
            few = label(self.language, "word.under", n=self.released.policy.smallest_count)
            return Cell(None, few, withheld=True)
        value = row.count(name)
        return Cell(value, "" if value is None else numbers.count(value, self.language))

    def figure(self, row: Row, name: str, scale: str) -> Cell:
        if name in row.hidden:
            return self.withheld()
        value = row.figure(name)
        scale = written_scale(scale, self.released)
        return Cell(value, "" if value is None else measures.write(value, scale, self.language))

    def share(self, row: Row, scale: str) -> Cell:
        """Return estimate and interval in one cell; its value is the estimate."""
        if row.is_hidden:
            return self.withheld()
        if row.estimate is None:
            return Cell(None, label(self.language, f"word.{row.why_nothing}"))
        scale = written_scale(scale, self.released)
        text = measures.write(row.estimate, scale, self.language)
        if row.lower is not None and row.upper is not None:
            limits = measures.write_limits(row.lower, row.upper, scale, self.language)
            text = f"{text} ({limits})"
        return Cell(row.estimate, text)

    def code(self, row: Row, name: str, prefix: str) -> Cell:
        if name in row.hidden:
            return self.withheld()
        code = row.text(name)
        words = label(self.language, f"{prefix}.{code}") if code else ""
        return Cell(words, words)


def _rows(made: Iterable[list[Cell]]) -> tuple[tuple[Cell, ...], ...]:
    return tuple(tuple(row) for row in made)


def _flow(released: Released, language: str) -> Made:
    write = _Writer(released, language)
    units = [unit_of_step(str(step), released.context.unit) for step in released.frame["step"]]
    is_mixed = len(set(units)) > 1
    columns = [*write.group_columns(), write.column("step")]
    columns += [write.column("counted_unit")] if is_mixed else []
    columns += [write.column(name, is_number=True) for name in ("n_in", "n_out")]
    columns += [write.column("reason"), write.column("n_reason", is_number=True)]
    made = []
    for row, unit in zip(rows_of(released, released.frame), units, strict=True):
        step = label(language, f"step.{row.text('step')}")
        reason = terms.reason(row.text("reason"), language)
        name = numbers.units(None, unit, language)
        line = [*write.groups(row), Cell(step, step, is_header=True)]
        line += [Cell(name, name)] if is_mixed else []
        line += [write.count(row, "n_in"), write.count(row, "n_out"), Cell(reason, reason)]
        made.append([*line, write.count(row, "n_reason")])
    return tuple(columns), _rows(made)


def _estimates(released: Released, language: str) -> Made:
    write = _Writer(released, language)
    place = {m: i for i, m in enumerate(released.frame["measure"].unique())}
    read = sorted(rows_of(released, released.frame), key=lambda row: place[row.text("measure")])
    own = released.context.own_measures
    units = [measures.unit_of(row.text("measure"), released.context.unit, own) for row in read]
    is_mixed = len(set(units)) > 1
    rest = [] if released.groups and _all_hidden(read) else ["outside", "immature", "unknown"]
    has_yes = any(measures.is_share(row.text("measure"), own) for row in read)
    yes = ["numerator"] if has_yes else []
    columns = [write.column("measure"), *write.group_columns()]
    # The figure stands first: on a narrow screen it is what must be seen without scrolling.
    columns += [write.column("share", is_number=True)]
    columns += [write.column("counted_unit")] if is_mixed else []
    counts = _beside({measures.scale_of(row.text("measure"), own) for row in read})
    counts = [*yes, "denominator", *rest, "n"] if counts is None else counts
    columns += [write.column(name, is_number=True) for name in counts]
    made = []
    for row, unit in zip(read, units, strict=True):
        measure = row.text("measure")
        words = measures.name_of(measure, language, own)
        line = [Cell(words, words, is_header=True), *write.groups(row)]
        line.append(write.share(row, measures.scale_of(measure, own)))
        if is_mixed:
            name = numbers.units(None, unit, language)
            line.append(Cell(name, name))
        is_share = measures.is_share(measure, own)
        shown = [write.count(row, name) if is_share or name != "numerator" else Cell(None, "")
                 for name in counts]  # fmt: skip
        made.append([*line, *shown])
    return tuple(columns), _rows(made)


def _beside(scales: set[str]) -> list[str] | None:
    """Return the counts beside figures of which nothing is left out; None where all are due."""
    if scales == {"count"}:
        return []
    return ["denominator"] if scales == {"rounded"} else None


def _all_hidden(read: list[Row]) -> bool:
    return all(name in row.hidden for row in read for name in ("outside", "immature", "unknown"))


def _curve(released: Released, language: str) -> Made:
    write = _Writer(released, language)
    parts = [(key, read_at(rows, ticks(released))) for key, rows in parts_of(released)]
    is_waiting = any(table["waiting"].gt(0).any() for _, table in parts)
    counts = ["waiting"] * is_waiting + ["at_risk", "censored", "events"]
    columns = [*write.group_columns(), write.column("state"), write.column("time")]
    columns += [
        Column(name, count_words(name, released, language), is_number=True) for name in counts
    ]
    columns += [write.column("share", is_number=True)]
    made = []
    for key, table in parts:
        state = label(language, f"state.{key[-1]}")
        heads = [write.header(n, v) for n, v in zip(released.groups, key[:-1], strict=True)]
        for values in table.astype(object).where(table.notna(), None).to_dict("records"):
            row = Row(values, frozenset(), ())
            time = time_words(float(values["time"]), released, language)
            line = [
                *heads,
                Cell(state, state, is_header=True),
                Cell(values["time"], time, is_header=True),
            ]
            made.append(
                [*line, *(write.count(row, c) for c in counts), write.share(row, "percent")]
            )
    return tuple(columns), _rows(made)


def _effects(released: Released, language: str) -> Made:
    write = _Writer(released, language)
    words = label(language, "word.with_interval", name=effect_name(released, language))
    columns = [*write.group_columns(), write.column("term")]
    columns += [Column("estimate", words, is_number=True)]
    columns += [write.column(name, is_number=True) for name in ("n", "events", "p")]
    made = []
    for row in rows_of(released, released.frame):
        term = terms.term(row.text("term"), row.cell("level"), row.cell("reference"), language)
        p = row.figure("p")
        written = Cell(p, "" if p is None else numbers.p_value(p, language))
        made.append(
            [
                *write.groups(row),
                Cell(term, term, is_header=True),
                write.share(row, "ratio"),
                write.count(row, "n"),
                write.count(row, "events"),
                write.withheld() if "p" in row.hidden else written,
            ]
        )
    return tuple(columns), _rows(made)


def _trend(released: Released, language: str) -> Made:
    write, scale = _Writer(released, language), scale_of_trend(released)
    columns = [*write.group_columns(), write.column("period")]
    counts, is_told = ("numerator", "denominator"), released.frame.notna() | released.hidden
    limits = [name for name in ("centre", "lower_limit", "upper_limit") if is_told[name].any()]
    figures = ("estimate", *limits)  # a running sum has no centre and no lower limit
    # Of a ratio nothing is a yes: what is above the line is counted by itself.
    above = "numerator" if is_share_of(released) else "counted_above"
    columns += [write.column(name, is_number=True) for name in (above, "denominator", *figures)]
    columns.append(write.column("signal"))
    made = []
    for row in rows_of(released, released.frame):
        line = [*write.groups(row), write.header("period", row.cell("period"))]
        line += [write.count(row, name) for name in counts]
        line += [write.figure(row, name, scale) for name in figures]
        made.append([*line, write.code(row, "signal", "signal")])
    return tuple(columns), _rows(made)


def _comparison(released: Released, language: str) -> Made:
    write, scale = _Writer(released, language), scale_of_comparison(released)
    # The rows of one unit are named by what they are split by.
    is_one = bool(released.groups) and released.frame["unit"].nunique() <= 1
    columns = [*write.group_columns(), *([] if is_one else [write.column("unit")])]
    columns += [write.column("counted_unit")] if is_one else []
    columns += [write.column("flag"), write.column("share", is_number=True)]
    counts = ("numerator", "expected", "denominator", "shrunken")
    columns += [write.column(name, is_number=True) for name in counts]
    made = []
    for row in rows_of(released, released.frame):
        line = write.groups(row)
        line.append(write.unit(row) if is_one else write.header("unit", row.cell("unit")))
        line += [write.code(row, "flag", "flag"), write.share(row, scale)]
        line += [write.count(row, "numerator"), write.figure(row, "expected", "casts")]
        made.append([*line, write.count(row, "denominator"), write.figure(row, "shrunken", scale)])
    return tuple(columns), _rows(made)


def _profile(released: Released, language: str) -> Made:
    write = _Writer(released, language)
    columns = [*write.group_columns(), write.column("variable"), write.column("level")]
    numeric = ("n", "missing", "centre", "spread")
    columns += [write.column(name, is_number=True) for name in numeric]
    columns += [write.column("statistic")]
    made = []
    for row in rows_of(released, released.frame):
        name, level = row.text("variable"), row.cell("level")
        words = terms.column(name, language)
        line = [*write.groups(row), Cell(words, words, is_header=True)]
        line.append(write.header(name, level) if terms.has_level(level) else Cell(None, ""))
        line += [write.count(row, "n"), write.count(row, "missing")]
        scale = "percent" if row.text("statistic") == "share" else "casts"
        line += [write.figure(row, "centre", scale), write.figure(row, "spread", scale)]
        made.append([*line, write.code(row, "statistic", "statistic")])
    return tuple(columns), _rows(made)


ROWS: dict[str, Callable[[Released, str], Made]] = {
    FLOW.name: _flow,
    ESTIMATES.name: _estimates,
    CURVE.name: _curve,
    EFFECTS.name: _effects,
    TREND.name: _trend,
    COMPARISON.name: _comparison,
    PROFILE.name: _profile,
}
