"""A trend as points along time between its limits, after Shewhart."""

from __future__ import annotations

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.ticker import FuncFormatter, MaxNLocator

from analytics.definitions.labels import label
from analytics.display import measures, numbers, terms
from analytics.display.readings import Row, rows_of, scale_of_trend
from analytics.display.theme import (
    INK,
    PALE,
    PANEL_HEIGHT,
    QUIET,
    SERIES,
    fit,
    move_apart,
    new_figure,
)
from analytics.sharing.protect import Released


def draw_trend(released: Released, language: str) -> Figure:
    """Return one panel for each group; a signal is a larger mark with its word."""
    panels: dict[tuple[object, ...], list[Row]] = {}
    for row in rows_of(released, released.frame):
        panels.setdefault(row.groups, []).append(row)
    columns = 1 if len(panels) == 1 else 2
    lines = -(-len(panels) // columns)
    figure = new_figure((2.8 if columns == 1 else PANEL_HEIGHT) * lines)
    grid = list(figure.subplots(lines, columns, squeeze=False).flat)
    for axes, (groups, rows) in zip(grid, panels.items(), strict=False):
        _draw_panel(axes, rows, released, language, is_small=columns > 1)
        if groups:
            axes.set_title(fit(terms.group(released.groups, groups, language)), fontsize=8.5)
    for spare in grid[len(panels) :]:
        spare.set_visible(False)
    return figure


def _draw_panel(
    axes: Axes, rows: list[Row], released: Released, language: str, *, is_small: bool
) -> None:
    scale = scale_of_trend(released)
    rows = sorted(rows, key=lambda row: row.text("period"))
    places = np.arange(len(rows))
    columns = {
        name: np.array([_shown(row.figure(name), scale) for row in rows])
        for name in ("estimate", "centre", "lower_limit", "upper_limit")
    }
    for name in ("lower_limit", "upper_limit"):
        axes.step(places, columns[name], where="mid", color=QUIET, linewidth=0.9, linestyle="--")
    axes.step(places, columns["centre"], where="mid", color=QUIET, linewidth=0.9)
    axes.plot(places, columns["estimate"], color=SERIES[0].colour, linewidth=0.9)
    axes.plot(places, columns["estimate"], "o", color=SERIES[0].colour, markersize=4)
    for place, row in enumerate(rows):
        signal = row.text("signal")
        if row.estimate is None:
            axes.plot([place], [0.02], "x", color=QUIET, markersize=4,
                      transform=axes.get_xaxis_transform(), clip_on=False)  # fmt: skip
        elif signal and signal != "none":
            height = _shown(row.estimate, scale)
            axes.plot([place], [height], "D", color=SERIES[1].colour, markersize=7)
            if is_small:  # the table has the word
                continue
            words = fit(label(language, f"signal.{signal}"))
            side = "right" if place > len(rows) / 2 else "left"
            axes.annotate(words, (place, height), xytext=(-8 if side == "right" else 8, 4),
                          textcoords="offset points", ha=side, fontsize=7.5, color=INK)  # fmt: skip
    words = terms.axis_of(released.context.question, scale, language)
    axes.set_ylabel(words)
    _set_axes(axes, rows, language, n_ticks=4 if is_small else 6)
    _name_lines(axes, columns, apart=0.1 if is_small else 0.055, language=language)


def _shown(value: float | None, scale: str) -> float:
    return float("nan") if value is None else value * measures.times(scale)


def _name_lines(axes: Axes, columns: dict[str, np.ndarray], *, apart: float, language: str) -> None:
    """Write what the lines are at their ends, at least so large a share of the axis apart."""
    ends = {
        words: float(known[-1])
        for name, words in (("centre", "axis.centre"), ("upper_limit", "axis.limits"))
        if len(known := columns[name][~np.isnan(columns[name])])
    }
    low, high = axes.get_ylim()
    heights = move_apart(list(ends.values()), apart * (high - low))
    for words, height in zip(ends, heights, strict=True):
        axes.annotate(label(language, words), (1.0, height), fontsize=7.5, color=QUIET,
                      xycoords=("axes fraction", "data"), xytext=(4, 0),
                      textcoords="offset points", va="center")  # fmt: skip


def _set_axes(axes: Axes, rows: list[Row], language: str, *, n_ticks: int) -> None:
    every = max(1, int(np.ceil(len(rows) / n_ticks)))
    at = list(range(0, len(rows), every))
    words = [fit(terms.level("period", rows[i].text("period"), language), longest=10) for i in at]
    axes.set_xticks(at, words)
    axes.set_xlim(-0.5, len(rows) - 0.5)
    axes.yaxis.set_major_locator(MaxNLocator(5, steps=[1, 2, 5, 10]))
    axes.yaxis.set_major_formatter(FuncFormatter(lambda y, _: numbers.plain(y, language)))
    axes.grid(axis="y", color=PALE, linewidth=0.7)
    axes.set_axisbelow(True)
