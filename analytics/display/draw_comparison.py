"""Clinics against limits: a funnel where limit lines are given, else rows with intervals."""

from __future__ import annotations

from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.ticker import FuncFormatter, MaxNLocator

from analytics.definitions.labels import label
from analytics.display import measures, numbers, terms
from analytics.display.draw_rows import DotRow, draw_rows, span
from analytics.display.readings import Row, rows_of, scale_of_comparison
from analytics.display.theme import (
    FOLDED_HEIGHT,
    PALE,
    QUIET,
    ROW_HEIGHT,
    SERIES,
    fit,
    fold,
    move_apart,
    new_figure,
)
from analytics.sharing.protect import Released

#: Position to mark and colour; the mark alone tells it.
_MARKS = {
    "as_expected": ("o", SERIES[0].colour),
    "higher": ("^", SERIES[1].colour),
    "lower": ("v", SERIES[1].colour),
    "too_few": ("x", QUIET),
}
_UNUSUAL = ("higher", "lower")

#: Least distance between the names of lines, as a share of the axis.
_APART = 0.045


def draw_comparison(released: Released, language: str) -> Figure:
    """Return a funnel, or rows in the order given: clinics are not ranked."""
    read = rows_of(released, released.frame)
    if "limits" in released.beside:
        return _funnel(read, released, language)
    scale = scale_of_comparison(released)
    names = _names(read, released, language)
    rows = [_row(row, name, scale, language) for row, name in zip(read, names, strict=True)]
    height = FOLDED_HEIGHT if released.groups else ROW_HEIGHT
    figure = new_figure(0.6 + height * len(rows))
    axes = figure.add_subplot()
    draw_rows(axes, rows)
    axes.set_xlim(*span(rows))
    axes.xaxis.set_major_formatter(FuncFormatter(lambda x, _: numbers.plain(x, language)))
    axes.set_xlabel(terms.axis_of(released.context.question, scale, language))
    if released.groups:
        axes.axvline(1.0, color=QUIET, linewidth=0.9)
    return figure


def _names(read: list[Row], released: Released, language: str) -> list[str]:
    """Return the names of the rows: what they are split by, else the unit."""
    if released.groups:
        return [fold(terms.group(released.groups, r.groups, language), width=34) for r in read]
    return [fit(terms.level("unit", row.cell("unit"), language)) for row in read]


def _row(row: Row, name: str, scale: str, language: str) -> DotRow:
    if row.estimate is None:
        word = "withheld" if row.is_hidden else "not_estimable"
        return DotRow(name, None, None, None, label(language, f"word.{word}"))
    flag = row.text("flag")
    words = label(language, f"flag.{flag}") if flag else ""
    estimate, lower, upper = (
        measures.shown(e, scale) for e in (row.estimate, row.lower, row.upper)
    )
    return DotRow(name, estimate, lower, upper, words, is_flagged=flag in _UNUSUAL)


def _funnel(read: list[Row], released: Released, language: str) -> Figure:
    scale = scale_of_comparison(released)
    figure = new_figure(3.9)
    axes = figure.add_subplot()
    named = _draw_limits(axes, released, scale)
    for flag, (marker, colour) in _MARKS.items():
        rows = [r for r in read if r.text("flag") == flag and r.estimate is not None]
        points = [
            (r.count("denominator"), measures.shown(r.estimate, scale))
            for r in rows
            if r.count("denominator") is not None
        ]
        if points:
            axes.plot(*zip(*points, strict=True), marker, color=colour, linestyle="none",
                      markersize=6, label=label(language, f"flag.{flag}"))  # fmt: skip
    for row in read:
        if row.text("flag") in _UNUSUAL and row.estimate is not None:
            name = fit(terms.level("unit", row.cell("unit"), language), longest=18)
            at = (row.count("denominator") or 0, row.estimate * measures.times(scale))
            axes.annotate(name, at, xytext=(6, 4), textcoords="offset points", fontsize=7.5)
    if axes.get_legend_handles_labels()[0]:
        axes.legend(frameon=False, loc="upper center", bbox_to_anchor=(0.5, 1.12), ncols=4)
    units = label(language, f"unit.{released.context.unit}.other")
    axes.set_xlabel(label(language, "axis.denominator", units=units))
    axes.set_ylabel(terms.axis_of(released.context.question, scale, language))
    for axis in (axes.xaxis, axes.yaxis):
        axis.set_major_locator(MaxNLocator(6, steps=[1, 2, 5, 10]))
        axis.set_major_formatter(FuncFormatter(lambda x, _: numbers.plain(x, language)))
    axes.set_xlim(left=0)
    axes.grid(color=PALE, linewidth=0.7)
    axes.set_axisbelow(True)
    _name_limits(axes, named, language)
    return figure


def _draw_limits(axes: Axes, released: Released, scale: str) -> dict[str, float]:
    """Draw the lines beside the result: ``denominator`` and any of centre and limits.

    Returns
    -------
    dict
        Height at which each kind of line ends: the centre, and of the limits the upper ones.
    """
    limits = released.beside["limits"].sort_values("denominator")
    looks = {"centre": "-", "95": "--", "998": ":"}
    named: dict[str, float] = {}
    for column in limits.columns:
        kind = next((k for k in looks if column.endswith(k)), None)
        if kind is None:
            continue
        values = limits[column].astype(float) * measures.times(scale)
        axes.plot(limits["denominator"], values, looks[kind], color=QUIET, linewidth=0.9)
        if column.startswith("upper") or kind == "centre":
            named[kind] = float(values.iloc[-1])
    return named


def _name_limits(axes: Axes, named: dict[str, float], language: str) -> None:
    low, high = axes.get_ylim()
    heights = move_apart(list(named.values()), _APART * (high - low))
    for kind, height in zip(named, heights, strict=True):
        words = label(language, "axis.centre" if kind == "centre" else f"axis.limits_{kind}")
        axes.annotate(
            words, (1.0, height), xycoords=("axes fraction", "data"), xytext=(4, 0),
            textcoords="offset points", va="center", fontsize=7.5, color=QUIET,
        )  # fmt: skip
