"""Curves with bands, and below them who was still followed, whose follow-up ended, and events."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.ticker import FuncFormatter, MultipleLocator

from analytics.definitions.labels import label
from analytics.display import numbers, terms
from analytics.display.curve_table import (
    count_words,
    is_coarse,
    marks,
    parts_of,
    read_at,
    ticks,
)
from analytics.display.numbers import DAYS_IN_YEAR
from analytics.display.theme import (
    PALE,
    QUIET,
    RULE,
    SERIES,
    Style,
    fit,
    fold,
    move_apart,
    new_figure,
)
from analytics.sharing.protect import Released

_CURVE_HEIGHT = 3.1
_LINE_HEIGHT = 0.19
_PANEL_COLUMNS = 3

#: Letters of a curve's name, and of a line of it at the curve's end.
_LONGEST_NAME, _NAME_LINE = 60, 22

#: Least distance between the names at the ends of curves for each line, as a share of the axis.
_APART = 0.055


@dataclass(frozen=True)
class _Line:
    """One curve with its name and look."""

    name: str
    rows: pd.DataFrame
    style: Style


def draw_curve(released: Released, language: str) -> Figure:
    """Return the curves on one axis with the table below, or many curves in a panel each."""
    parts = list(parts_of(released))
    names = [_name(key, released, language) for key, _ in parts]
    if len(parts) > len(SERIES):
        lines = [_Line(n, r, SERIES[0]) for n, (_, r) in zip(names, parts, strict=True)]
        return _in_panels(lines, released, language)
    lines = [_Line(n, r, s) for n, (_, r), s in zip(names, parts, SERIES, strict=False)]
    return _with_table(lines, released, language)


def _name(key: tuple[object, ...], released: Released, language: str) -> str:
    state = label(language, f"state.{key[-1]}")
    if not released.groups:
        return fit(state, longest=_LONGEST_NAME)
    words = terms.group(released.groups, key[:-1], language)
    if released.frame["state"].nunique() > 1:
        words = f"{words} \N{MIDDLE DOT} {state}"
    return fit(words, longest=_LONGEST_NAME)


def _with_table(lines: Sequence[_Line], released: Released, language: str) -> Figure:
    at, marked = ticks(released), marks(released)
    tables = [read_at(line.rows, at) for line in lines]
    counts = ["at_risk", "censored", "events"]
    if any(table["waiting"].gt(0).any() for table in tables):
        counts = ["waiting", *counts]
    # The table says its own times where they are not those of the axis.
    says_times = len(at) != len(marked) or not np.allclose(at, marked)
    n_lines = len(counts) * len(lines) + len(lines) + says_times
    below = _LINE_HEIGHT * n_lines + 0.1
    figure = new_figure(_CURVE_HEIGHT + below)
    top, bottom = figure.subplots(2, 1, sharex=True, height_ratios=[_CURVE_HEIGHT, below])
    for line in lines:
        _draw_line(top, line, is_steps=not is_coarse(released))
    _name_ends(top, lines)
    _set_axes(top, released, language)
    top.set_xticks(marked)
    top.set_xlim(-0.02 * _end(released), _end(released) * 1.02)
    top.tick_params(labelbottom=True)
    words = {count: fit(count_words(count, released, language)) for count in counts}
    _write_table(bottom, lines, tables, words=words, language=language)
    if says_times:
        _write_times(bottom, at, released, language)
    return figure


def _end(released: Released) -> float:
    return max(float(released.frame["time"].max()), 1e-9)


def _bends(rows: pd.DataFrame) -> pd.DataFrame:
    """Return the rows at which a curve bends, its first and its last."""
    bends = rows["events"].gt(0).to_numpy()
    bends[[0, -1]] = True
    return rows.loc[bends]


def _draw_line(axes: Axes, line: _Line, *, is_steps: bool) -> None:
    rows = _bends(line.rows)
    time = rows["time"].to_numpy(dtype=float)
    values = {
        name: rows[name].to_numpy(dtype=float, na_value=np.nan)
        for name in ("estimate", "lower", "upper")
    }
    if time[0] > 0:
        start = 0.0 if values["estimate"][0] < 0.5 else 1.0
        time = np.append(0.0, time)
        values = {name: np.append(start, value) for name, value in values.items()}
    style = line.style
    axes.fill_between(
        time, values["lower"], values["upper"], step="post" if is_steps else None,
        color=style.colour, alpha=0.13, linewidth=0,
    )  # fmt: skip
    drawn = "steps-post" if is_steps else "default"
    axes.plot(
        time, values["estimate"], color=style.colour, linestyle=style.line, drawstyle=drawn,
        marker=None if is_steps else style.marker, markersize=3.5,
    )  # fmt: skip


def _name_ends(axes: Axes, lines: Sequence[_Line]) -> None:
    """Write each curve's name at the right, moved apart where ends meet."""
    if len(lines) < 2:
        return
    names = [fold(line.name, width=_NAME_LINE, most=3) for line in lines]
    most = max(name.count("\n") + 1 for name in names)
    ends = [float(line.rows["estimate"].iloc[-1] or 0.0) for line in lines]
    places = np.array(move_apart(ends, _APART * most))
    places -= max(places.max() - 1.0, 0.0)
    for line, name, place in zip(lines, names, places, strict=True):
        axes.annotate(
            name,
            (1.0, place),
            xycoords=("axes fraction", "data"),
            xytext=(24, 0),
            textcoords="offset points",
            va="center",
            color=line.style.colour,
        )
        axes.annotate(
            "", (1.0, place), xycoords=("axes fraction", "data"), xytext=(22, 0),
            textcoords="offset points",
            arrowprops={"arrowstyle": "-", "color": line.style.colour, "linestyle": line.style.line,
                        "linewidth": 1.5, "shrinkA": 0, "shrinkB": 4},
        )  # fmt: skip


def _set_axes(axes: Axes, released: Released, language: str) -> None:
    axes.set_ylim(0, 1.02)
    axes.yaxis.set_major_locator(MultipleLocator(0.25))
    axes.yaxis.set_major_formatter(FuncFormatter(lambda y, _: numbers.whole_percent(y, language)))
    axes.grid(axis="y", color=PALE, linewidth=0.7)
    axes.set_axisbelow(True)
    unit = _time_unit(released)
    divide = _days_in(unit)
    axes.xaxis.set_major_formatter(FuncFormatter(lambda x, _: _tick(x / divide, language)))
    axes.set_xlabel(label(language, f"axis.time_{unit}"))


def _time_unit(released: Released) -> str:
    if released.context.time_unit != "day":
        return released.context.time_unit
    end = _end(released)
    if is_coarse(released):
        return "month"
    return "year" if end >= 2 * DAYS_IN_YEAR else "month" if end >= 92 else "day"


def _days_in(unit: str) -> float:
    return {"year": DAYS_IN_YEAR, "month": DAYS_IN_YEAR / 12}.get(unit, 1.0)


def _tick(value: float, language: str) -> str:
    for places in (0, 1):
        if abs(value - round(value, places)) < 0.02:
            return numbers.decimal(value, language, places=places)
    return numbers.decimal(value, language, places=2)


def _write_table(
    axes: Axes,
    lines: Sequence[_Line],
    tables: Sequence[pd.DataFrame],
    *,
    words: Mapping[str, str],
    language: str,
) -> None:
    names, place = [], 0
    of_line = axes.get_yaxis_transform()
    for line, table in zip(lines, tables, strict=True):
        names.append("")
        if len(lines) > 1:
            axes.text(0, place, line.name, transform=of_line, va="center", fontsize=7.5,
                      color=line.style.colour, fontweight="bold")  # fmt: skip
        for count, name in words.items():
            place += 1
            names.append(name)
            for time, n in zip(table["time"], table[count], strict=True):
                text = numbers.count(int(n), language)
                axes.text(time, place, text, ha="center", va="center", fontsize=7.5)
        place += 1
    axes.set_yticks(range(len(names)), names, fontsize=7.5)
    axes.tick_params(axis="y", labelcolor=QUIET)
    axes.set_ylim(place - 0.4, 0.4 if len(lines) == 1 else -0.6)
    axes.tick_params(length=0, labelbottom=False, pad=14)
    for side in axes.spines.values():
        side.set_visible(False)


def _write_times(axes: Axes, times: np.ndarray, released: Released, language: str) -> None:
    """Write above the table the times at which it was read."""
    unit = _time_unit(released)
    place = axes.get_ylim()[1] - 0.5
    for time in times:
        words = _tick(time / _days_in(unit), language)
        axes.text(time, place, words, ha="center", va="center", fontsize=7.5, color=QUIET)
    names = [
        *(tick.get_text() for tick in axes.get_yticklabels()),
        label(language, f"axis.time_{unit}"),
    ]
    axes.set_yticks([*axes.get_yticks(), place], names, fontsize=7.5)
    axes.set_ylim(top=place - 0.6)


def _in_panels(lines: Sequence[_Line], released: Released, language: str) -> Figure:
    """Draw each curve in a panel of its own, with all others pale behind it."""
    height = -(-len(lines) // _PANEL_COLUMNS)
    figure = new_figure(1.55 * height + 0.3)
    grid = figure.subplots(height, _PANEL_COLUMNS, sharex=True, sharey=True, squeeze=False)
    for number, axes in enumerate(grid.flat):
        if number >= len(lines):
            axes.set_visible(False)
            continue
        for other in lines:
            bends = _bends(other.rows)
            time, value = (bends[c].to_numpy(dtype=float) for c in ("time", "estimate"))
            axes.plot(time, value, color=RULE, linewidth=0.6, drawstyle="steps-post")
        _draw_line(axes, lines[number], is_steps=not is_coarse(released))
        _set_axes(axes, released, language)
        axes.set_xticks(marks(released)[::2])
        axes.set_title(fold(lines[number].name, width=28), fontsize=8.5)
        is_last = number + _PANEL_COLUMNS >= len(lines)
        axes.tick_params(labelbottom=is_last)
        axes.set_xlabel(axes.get_xlabel() if is_last else "")
    return figure
