"""Effects as dots with intervals on a logarithmic axis, with a line at no difference."""

from __future__ import annotations

import numpy as np
from matplotlib.figure import Figure
from matplotlib.ticker import FixedLocator, FuncFormatter, NullLocator

from analytics.definitions.labels import label
from analytics.display import numbers, terms
from analytics.display.draw_rows import DotRow, draw_rows
from analytics.display.readings import Row, effect_name, rows_of
from analytics.display.theme import FOLDED_HEIGHT, QUIET, ROW_HEIGHT, fold, new_figure
from analytics.sharing.protect import Released

#: Ratios beyond this are shown as running off the axis.
_FARTHEST = 20.0
_TICKS = (0.05, 0.1, 0.2, 0.5, 1, 2, 5, 10, 20)
#: Least distance between two ticks, as a share of the axis.
_TICKS_APART = 0.085
_CLOSE_TICKS = (0.5, 0.6, 0.7, 0.8, 0.9, 1, 1.1, 1.2, 1.3, 1.5, 1.7, 2)


def draw_effects(released: Released, language: str) -> Figure:
    """Return one row for each effect; where an interval leaves the axis an arrow says so."""
    read = rows_of(released, released.frame)
    rows = [_row(row, released, language) for row in read]
    figure = new_figure(FOLDED_HEIGHT * len(rows) + 0.7 if rows else ROW_HEIGHT)
    axes = figure.add_subplot()
    low, high = _limits(rows)
    axes.set_xscale("log")
    axes.axvline(1.0, color=QUIET, linewidth=0.9, zorder=1)
    draw_rows(axes, [_inside(row, low, high) for row in rows])
    for place, row in enumerate(rows):
        if row.lower is not None and row.lower < low:
            axes.plot([low * 1.01], [place], "<", color=QUIET, markersize=5, clip_on=False)
        if row.upper is not None and row.upper > high:
            axes.plot([high / 1.01], [place], ">", color=QUIET, markersize=5, clip_on=False)
    axes.set_xlim(low, high)
    close = [t for t in _CLOSE_TICKS if low <= t <= high]
    wide = [t for t in _TICKS if low <= t <= high]
    axes.xaxis.set_major_locator(FixedLocator(_readable(wide if len(wide) >= 3 else close)))
    axes.xaxis.set_minor_locator(NullLocator())
    axes.xaxis.set_major_formatter(FuncFormatter(lambda x, _: _tick(x, language)))
    axes.set_xlabel(label(language, "axis.ratio", name=effect_name(released, language)))
    return figure


def _readable(ticks: list[float]) -> list[float]:
    """Return the ticks, 1 among them, whose words do not touch on a logarithmic axis."""
    least = _TICKS_APART * np.log(ticks[-1] / ticks[0])
    kept = [1.0]
    for tick in sorted(ticks, key=lambda value: abs(np.log(value))):
        if min(abs(np.log(tick / other)) for other in kept) >= least:
            kept.append(tick)
    return sorted(kept)


def _tick(value: float, language: str) -> str:
    places = 0 if value >= 1 and float(value).is_integer() else 1 if value >= 0.1 else 2
    return numbers.decimal(value, language, places=places)


def _row(row: Row, released: Released, language: str) -> DotRow:
    name = terms.term(row.text("term"), row.cell("level"), row.cell("reference"), language)
    if released.groups:
        where = terms.group(released.groups, row.groups, language)
        name = _within(where, row, released, language) or label(
            language, "word.group", name=where, level=name
        )
    if row.estimate is None:
        word = "withheld" if row.is_hidden else "not_estimable"
        return DotRow(_folded(name), None, None, None, label(language, f"word.{word}"))
    text = numbers.ratio(row.estimate, language)
    if row.lower is not None and row.upper is not None:
        ends = (numbers.ratio(end, language) for end in (row.lower, row.upper))
        text = f"{text} ({numbers.interval(*ends)})"
    return DotRow(_folded(name), row.estimate, row.lower, row.upper, text)


def _folded(name: str) -> str:
    return fold(name, width=42, most=3)


def _within(where: str, row: Row, released: Released, language: str) -> str:
    """Return the short name of a row among groups that all show one term; else nothing."""
    if released.frame["term"].nunique() > 1:
        return ""
    if not terms.has_level(row.cell("level")) or released.frame["level"].nunique() == 1:
        return where
    level = terms.level(row.text("term"), row.cell("level"), language)
    return label(language, "word.group", name=where, level=level)


def _inside(row: DotRow, low: float, high: float) -> DotRow:
    if row.lower is None or row.upper is None:
        return row
    return DotRow(row.name, row.estimate, max(row.lower, low), min(row.upper, high), row.text)


def _limits(rows: list[DotRow]) -> tuple[float, float]:
    ends = [e for r in rows for e in (r.estimate, r.lower, r.upper) if e is not None and e > 0]
    low = max(min([*ends, 0.8]), 1 / _FARTHEST)
    high = min(max([*ends, 1.25]), _FARTHEST)
    room = np.exp(np.log(high / low) * 0.04)
    return float(low / room), float(high * room)
