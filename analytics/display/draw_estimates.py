"""Estimates as dots with intervals: in rows, along time, or along a number."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from numbers import Real

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.ticker import FuncFormatter, MaxNLocator

from analytics.definitions.labels import label
from analytics.display import measures, numbers, terms
from analytics.display.draw_rows import DotRow, draw_rows, span
from analytics.display.readings import Row, rows_of, written_scale
from analytics.display.sheets import ALONG_TIME
from analytics.display.theme import (
    FOLDED_HEIGHT,
    INK,
    MOST_IN_PANEL,
    PALE,
    PANEL_HEIGHT,
    QUIET,
    SERIES,
    Style,
    fit,
    fold,
    new_figure,
    panel_of_rows,
)
from analytics.sharing.protect import Released

_WITHIN = {"percent": (0.0, 100.0)}

_COLUMNS = 2


def draw_estimates(released: Released, language: str) -> Figure:
    """Return panels of dots: by scale without groups, else one for each measure."""
    read = rows_of(released, released.frame)
    if not released.groups:
        return _in_rows(read, released, language)
    if len(released.groups) == 1 and released.groups[0] in ALONG_TIME:
        return _along_time(read, released, language)
    if len(released.groups) == 1 and all(isinstance(row.groups[0], Real) for row in read):
        return _along_number(read, released, language)
    return _by_group(read, released, language)


def _dot(row: Row, name: str, released: Released, language: str) -> DotRow:
    scale = measures.scale_of(row.text("measure"), released.context.own_measures)
    if row.estimate is None:
        return DotRow(name, None, None, None, label(language, f"word.{row.why_nothing}"))
    written = written_scale(scale, released)
    text = measures.write(row.estimate, written, language)
    if row.lower is not None and row.upper is not None:
        text += f" ({measures.write_limits(row.lower, row.upper, written, language)})"
    estimate, lower, upper = (
        measures.shown(e, scale) for e in (row.estimate, row.lower, row.upper)
    )
    return DotRow(name, estimate, lower, upper, text)


def _in_rows(read: Sequence[Row], released: Released, language: str) -> Figure:
    own = released.context.own_measures
    by_scale: dict[str, list[DotRow]] = {}
    for row in read:
        name = fold(measures.name_of(row.text("measure"), language, own), width=46, most=3)
        dots = by_scale.setdefault(measures.scale_of(row.text("measure"), own), [])
        dots.append(_dot(row, name, released, language))
    heights = [FOLDED_HEIGHT * len(rows) + 0.5 for rows in by_scale.values()]
    figure = new_figure(sum(heights) + 0.1)
    panels = figure.subplots(len(by_scale), 1, squeeze=False, height_ratios=heights)[:, 0]
    for axes, (scale, rows) in zip(panels, by_scale.items(), strict=True):
        draw_rows(axes, rows)
        axes.set_xlim(*((-1, 101) if scale == "percent" else span(rows)))
        _number_axis(axes, "x", language)
        axes.set_xlabel(label(language, f"axis.{scale}"))
    return figure


def _by_group(read: Sequence[Row], released: Released, language: str) -> Figure:
    """Draw one panel for each measure; the panels of a line share the names of the groups."""
    own = released.context.own_measures
    panels = _split(read)
    groups = list(dict.fromkeys(row.groups for row in read))
    shown = groups[:MOST_IN_PANEL]
    names = [fold(terms.group(released.groups, g, language), width=32) for g in shown]
    figure, axes_of = _grid(len(panels), panel_of_rows(len(shown)))
    for number, (axes, (measure, rows)) in enumerate(zip(axes_of, panels.items(), strict=False)):
        of_group = {row.groups: row for row in rows}
        nothing = DotRow("", None, None, None, "")
        dots = [
            replace(_dot(of_group[g], "", released, language), name=name)
            if g in of_group
            else nothing
            for g, name in zip(shown, names, strict=True)
        ]
        draw_rows(axes, dots)
        if number % _COLUMNS:
            axes.set_yticklabels([])
        axes.set_xlim(*span(dots, within=_WITHIN.get(measures.scale_of(measure, own))))
        _title(axes, (measure, own), len(groups) - len(shown), language)
        _number_axis(axes, "x", language)
    return figure


def _along_time(read: Sequence[Row], released: Released, language: str) -> Figure:
    own = released.context.own_measures
    panels = _split(read)
    periods = sorted({str(row.groups[0]) for row in read})
    figure, axes_of = _grid(len(panels), PANEL_HEIGHT)
    for axes, (measure, rows) in zip(axes_of, panels.items(), strict=False):
        places = [periods.index(str(row.groups[0])) for row in rows]
        dots = [_dot(row, "", released, language) for row in rows]
        _draw_series(axes, places, dots, style=SERIES[0])
        axes.set_ylim(*span(dots, within=_WITHIN.get(measures.scale_of(measure, own))))
        if is_count := measures.scale_of(measure, own) == "count":
            axes.set_ylim(0, max(1.05 * axes.get_ylim()[1], 1.0))
        _mark_unknown(axes, [p for p, d in zip(places, dots, strict=True) if d.estimate is None])
        _title(axes, (measure, own), 0, language)
        _number_axis(axes, "y", language, whole=is_count)
        _period_axis(axes, periods, language)
    return figure


def _along_number(read: Sequence[Row], released: Released, language: str) -> Figure:
    """Draw measures of one scale over each other along the number."""
    own = released.context.own_measures
    by_scale: dict[str, dict[str, list[Row]]] = {}
    for measure, rows in _split(read).items():
        by_scale.setdefault(measures.scale_of(measure, own), {})[measure] = rows
    figure, axes_of = _grid(len(by_scale), 3.2, columns=1)
    for axes, (scale, of_measure) in zip(axes_of, by_scale.items(), strict=False):
        every = []
        for style, (measure, rows) in zip(SERIES, of_measure.items(), strict=False):
            rows = sorted(rows, key=lambda row: float(row.groups[0]))  # type: ignore[arg-type]
            dots = [_dot(row, "", released, language) for row in rows]
            places = [float(row.groups[0]) for row in rows]  # type: ignore[arg-type]
            _draw_series(axes, places, dots, style=style)
            axes.plot([], [], marker=style.marker, color=style.colour, linestyle=style.line,
                      label=fit(measures.name_of(measure, language, own)))  # fmt: skip
            every += dots
        axes.set_ylim(*span(every, within=_WITHIN.get(scale)))
        # Above the axes: inside, it would hide points wherever they happen to be.
        axes.legend(frameon=False, loc="lower left", bbox_to_anchor=(0, 1), ncols=2, handlelength=3)
        axes.set_xlabel(terms.column(released.groups[0], language))
        axes.set_ylabel(label(language, f"axis.{scale}"))
        _number_axis(axes, "y", language)
        _number_axis(axes, "x", language)
    return figure


def _draw_series(
    axes: Axes, places: Sequence[float], dots: Sequence[DotRow], *, style: Style
) -> None:
    nan = float("nan")
    values = np.array([nan if d.estimate is None else d.estimate for d in dots])
    axes.plot(places, values, color=style.colour, linewidth=0.8, linestyle=style.line, alpha=0.7)
    for place, dot in zip(places, dots, strict=True):
        if dot.lower is not None and dot.upper is not None:
            axes.plot([place, place], [dot.lower, dot.upper], color=style.colour, linewidth=1)
    axes.plot(places, values, style.marker, color=style.colour, markersize=4)
    axes.grid(axis="y", color=PALE, linewidth=0.7)
    axes.set_axisbelow(True)


def _mark_unknown(axes: Axes, places: Sequence[float]) -> None:
    """Mark places without a figure by a cross on the axis, so that a gap is not overlooked."""
    if not places:
        # An empty line off the axes would count as a mark in the corner of the figure.
        return
    axes.plot(
        places, [0.02] * len(places), "x", color=QUIET, markersize=4,
        transform=axes.get_xaxis_transform(), clip_on=False,
    )  # fmt: skip


def _period_axis(axes: Axes, periods: Sequence[str], language: str) -> None:
    every = max(1, int(np.ceil(len(periods) / 5)))
    at = list(range(0, len(periods), every))
    words = [fit(numbers.quarter(periods[i], language), longest=10) for i in at]
    axes.set_xticks(at, words)
    axes.set_xlim(-0.5, len(periods) - 0.5)


def _number_axis(axes: Axes, which: str, language: str, *, whole: bool = False) -> None:
    axis = axes.xaxis if which == "x" else axes.yaxis
    axis.set_major_locator(MaxNLocator(5, steps=[1, 2, 5, 10], integer=whole))
    axis.set_major_formatter(FuncFormatter(lambda x, _: numbers.plain(x, language)))


def _split(read: Sequence[Row]) -> dict[str, list[Row]]:
    panels: dict[str, list[Row]] = {}
    for row in read:
        panels.setdefault(row.text("measure"), []).append(row)
    return panels


def _grid(n_panels: int, height: float, *, columns: int = _COLUMNS) -> tuple[Figure, list[Axes]]:
    columns = min(columns, n_panels)
    lines = -(-n_panels // columns)
    figure = new_figure(height * lines)
    axes = list(figure.subplots(lines, columns, squeeze=False).flat)
    for spare in axes[n_panels:]:
        spare.set_visible(False)
    return figure, axes[:n_panels]


def _title(axes: Axes, named: tuple[str, measures.Own], n_more: int, language: str) -> None:
    words = fold(measures.name_of(named[0], language, named[1]), width=36)
    if n_more:
        words += f"\n{label(language, 'axis.more_rows', n=n_more)}"
    axes.set_title(words, color=INK, fontsize=8.5)
