"""Rows of dots with interval lines: shared by several shapes."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from matplotlib.axes import Axes
from matplotlib.transforms import blended_transform_factory

from analytics.display.theme import INK, QUIET, SERIES, quiet_y


@dataclass(frozen=True)
class DotRow:
    """One row: its name, its figures (None: not known), and the text at its right."""

    name: str
    estimate: float | None
    lower: float | None
    upper: float | None
    text: str
    is_flagged: bool = False


def draw_rows(axes: Axes, rows: Sequence[DotRow]) -> None:
    """Draw rows from the top down, with the interval as a line and the value in words."""
    at_right = blended_transform_factory(axes.transAxes, axes.transData)
    for place, row in enumerate(rows):
        if row.lower is not None and row.upper is not None:
            axes.plot([row.lower, row.upper], [place, place], color=INK, linewidth=1.1, zorder=2)
        if row.estimate is not None:
            style = SERIES[1] if row.is_flagged else SERIES[0]
            marker = "D" if row.is_flagged else "o"
            axes.plot([row.estimate], [place], marker, color=style.colour, zorder=3)
        axes.text(
            1.02,
            place,
            row.text,
            transform=at_right,
            va="center",
            fontsize=8,
            color=QUIET if row.estimate is None else INK,
            style="italic" if row.estimate is None else "normal",
        )
    axes.set_yticks(range(len(rows)), [row.name for row in rows], fontsize=8)
    for tick, row in zip(axes.get_yticklabels(), rows, strict=True):
        if row.name.count("\n") > 1:
            tick.set_fontsize(7)
    axes.set_ylim(len(rows) - 0.4, -0.6)
    quiet_y(axes)


def span(
    rows: Sequence[DotRow], *, within: tuple[float, float] | None = None
) -> tuple[float, float]:
    """Return limits of the axis with some room, inside what is possible."""
    ends = [e for row in rows for e in (row.estimate, row.lower, row.upper) if e is not None]
    low, high = (min(ends), max(ends)) if ends else (within or (0.0, 1.0))
    room = max((high - low) * 0.06, abs(high) * 0.02, 1e-6)
    if within is None:
        return low - room, high + room
    edge = (within[1] - within[0]) * 0.01
    return max(low - room, within[0] - edge), min(high + room, within[1] + edge)
