"""A flow as a diagram: boxes from step to step, and beside them who did not go on and why."""

from __future__ import annotations

from dataclasses import dataclass
from textwrap import wrap

import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.patches import FancyBboxPatch

from analytics.definitions.labels import label, labels
from analytics.definitions.steps import ASIDES, unit_of_step
from analytics.display import numbers, terms
from analytics.display.estimate_sentences import count_words
from analytics.display.theme import INK, PALE, QUIET, RULE, WIDTH, fit, new_figure
from analytics.sharing.protect import Released

# In inches.
_LINE, _PAD, _GAP, _MARGIN = 0.165, 0.08, 0.2, 0.08
_MAIN = (0.08, 2.85)
_SIDE = (3.45, 3.67)
_CENTRE = _MAIN[0] + _MAIN[1] / 2

#: Letters that fit on a line of a box.
_MAIN_LETTERS, _SIDE_LETTERS = 42, 56


@dataclass(frozen=True)
class _Box:
    """Words of a box by line, and whether it stands on the way or beside it."""

    lines: tuple[str, ...]
    is_main: bool = True

    @property
    def height(self) -> float:
        return len(self.lines) * _LINE + 2 * _PAD


@dataclass(frozen=True)
class _Stage:
    """A step as drawn: the box that begins a way, those who left, its own box, what is told."""

    entry: _Box | None
    leaving: _Box | None
    reached: _Box | None
    aside: _Box | None


def draw_boxes(released: Released, language: str) -> Figure:
    """Return the diagram of a flow without groups; nothing is worked out here."""
    stages = _stages(released, language)
    figure = new_figure(sum(map(_height, stages)) + 2 * _MARGIN)
    height = figure.get_figheight()
    figure.set_layout_engine("none")
    axes = figure.add_axes((0, 0, 1, 1))
    axes.set_axis_off()
    axes.set_xlim(0, WIDTH)
    axes.set_ylim(height, 0)
    top = _MARGIN
    for place, stage in enumerate(stages):
        following = stages[place + 1 : place + 2]
        top = _draw_stage(
            axes,
            stage,
            top,
            is_linked=place > 0 and stage.entry is None,
            goes_on=bool(following) and following[0].entry is None,
        )
    return figure


def find_ways(released: Released) -> list[tuple[pd.Index, float]]:
    """Return the rows of each way, from its first box to its last, and the inches that it takes."""
    ways: list[tuple[list[pd.Index], float]] = []
    steps = [rows.index for _, rows in released.frame.groupby("step", sort=False)]
    for rows, stage in zip(steps, _stages(released, "en"), strict=True):
        if stage.entry or not ways:
            ways.append(([], 0.0))
        before, height = ways[-1]
        ways[-1] = ([*before, rows], height + _height(stage))
    return [(pd.Index(np.concatenate(rows)), height) for rows, height in ways]


def _stages(released: Released, language: str) -> list[_Stage]:
    steps = [rows for _, rows in released.frame.groupby("step", sort=False)]
    parents = _find_parents(pd.DataFrame([rows.iloc[0] for rows in steps]))
    return [
        _stage(rows, released, begins=parent is None, language=language)
        for rows, parent in zip(steps, parents, strict=True)
    ]


def _find_parents(firsts: pd.DataFrame) -> list[int | None]:
    """Return for each step the step that it follows: the last one that let on as many as reach it.

    None for a step that begins a way of its own. Nothing follows an aside.
    """
    units = [unit_of_step(str(step), "") for step in firsts["step"]]
    reached, left = (
        [None if pd.isna(n) else (unit, int(n)) for unit, n in zip(units, firsts[c], strict=True)]
        for c in ("n_in", "n_out")
    )
    parents: list[int | None] = []
    for place, wanted in enumerate(reached):
        before = [i for i in range(place) if wanted is not None and left[i] == wanted]
        before = [i for i in before if firsts["step"].iloc[i] not in ASIDES]
        parents.append(before[-1] if before else None)
    return parents


def _stage(rows: pd.DataFrame, released: Released, *, begins: bool, language: str) -> _Stage:
    first = rows.iloc[0]
    step, unit = str(first["step"]), unit_of_step(str(first["step"]), released.context.unit)
    name = label(language, f"step.{step}")
    reached = _wrap([name, _count(first["n_out"], unit, language)], _MAIN_LETTERS)
    why = [
        terms.beside(
            terms.reason(row.reason, language), count_words(row.n_reason, language), language
        )
        for row in rows.itertuples()
        if pd.isna(row.n_reason) or row.n_reason > 0
    ]
    if step in ASIDES:
        head = terms.beside(name, _count(first["n_out"], unit, language), language)
        return _Stage(None, None, None, _Box(_wrap([head, *why], _SIDE_LETTERS), is_main=False))
    entry = None
    # A way whose first count was withheld goes on from the step above it.
    if begins and not pd.isna(first["n_in"]):
        key = f"entered.{unit}"
        words = [label(language, key)] if key in labels(language) else []
        entry = _Box(_wrap([*words, _count(first["n_in"], unit, language)], _MAIN_LETTERS))
    left = _Box(_wrap(why, _SIDE_LETTERS), is_main=False) if why else None
    return _Stage(entry, left, _Box(reached), None)


def _count(n: object, unit: str, language: str) -> str:
    if pd.isna(n):
        return label(language, "word.few")
    return numbers.counted(int(n), unit, language)  # type: ignore[call-overload]


def _wrap(texts: list[str], letters: int) -> tuple[str, ...]:
    return tuple(
        line
        for text in texts
        for line in wrap(
            fit(text, longest=3 * letters), letters, subsequent_indent="   ", break_on_hyphens=False
        )
    )


def _height(stage: _Stage) -> float:
    parts = [box.height for box in (stage.entry, stage.reached, stage.aside) if box]
    return sum(parts) + _GAP * len(parts) + (stage.leaving.height if stage.leaving else 0.0)


def _draw_stage(axes: Axes, stage: _Stage, top: float, *, is_linked: bool, goes_on: bool) -> float:
    """Draw a step from a height down, and return the height below it."""
    if stage.aside:
        return _draw_aside(axes, stage.aside, top, goes_on=goes_on)
    if stage.entry:
        _draw_box(axes, stage.entry, top)
        top += stage.entry.height + _GAP
    if stage.reached is None:
        return top
    room = stage.leaving.height if stage.leaving else 0.0
    if stage.entry or is_linked:
        _draw_arrow(axes, (_CENTRE, top - _GAP), (_CENTRE, top + room))
    if stage.leaving:
        middle = top - _GAP / 2 + room / 2
        _draw_arrow(axes, (_CENTRE, middle), (_SIDE[0], middle))
        _draw_box(axes, stage.leaving, top - _GAP / 2)
    _draw_box(axes, stage.reached, top + room)
    return top + room + stage.reached.height + _GAP


def _draw_aside(axes: Axes, box: _Box, top: float, *, goes_on: bool) -> float:
    """Draw what is told of part of a step beside the way, which passes it by."""
    above = top - _GAP / 2
    below = above + box.height
    _draw_box(axes, box, above)
    middle = (above + below) / 2
    axes.plot([_CENTRE, _SIDE[0]], [middle] * 2, color=QUIET, linewidth=0.8, linestyle=(0, (2, 2)))
    end = below + _GAP if goes_on else middle
    axes.plot([_CENTRE] * 2, [top - _GAP, end], color=QUIET, linewidth=0.9)
    return below + _GAP


def _draw_box(axes: Axes, box: _Box, top: float) -> None:
    left, width = _MAIN if box.is_main else _SIDE
    axes.add_patch(
        FancyBboxPatch(
            (left, top), width, box.height, boxstyle="round,pad=0,rounding_size=0.04",
            facecolor="#ffffff" if box.is_main else PALE,
            edgecolor=INK if box.is_main else RULE, linewidth=0.9,
        )
    )  # fmt: skip
    for number, line in enumerate(box.lines):
        is_count = box.is_main and number == len(box.lines) - 1
        axes.text(
            left + 0.1,
            top + _PAD + (number + 0.5) * _LINE,
            line,
            va="center",
            fontsize=8.5 if box.is_main else 8,
            weight="bold" if is_count else "normal",
        )


def _draw_arrow(axes: Axes, start: tuple[float, float], end: tuple[float, float]) -> None:
    axes.annotate("", xy=end, xytext=start,
                  arrowprops={"arrowstyle": "-|>", "color": QUIET, "linewidth": 0.9,
                              "shrinkA": 0, "shrinkB": 0, "mutation_scale": 9})  # fmt: skip
