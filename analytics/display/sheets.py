"""A tall figure as parts that each fit a sheet of paper, cut between its panels or its rows."""

from __future__ import annotations

from collections.abc import Callable, Hashable, Sequence
from dataclasses import dataclass, replace
from numbers import Real

import numpy as np
import pandas as pd

from analytics.display.draw_boxes import find_ways
from analytics.display.theme import (
    FOLDED_HEIGHT,
    PANEL_HEIGHT,
    ROW_HEIGHT,
    STEP_HEIGHT,
    panel_of_rows,
)
from analytics.results import COMPARISON, EFFECTS, ESTIMATES, FLOW, PROFILE, TREND
from analytics.sharing.protect import Released

#: Inches: as high as a figure may be beside a heading and its caption on a sheet of A4.
MOST_HEIGHT = 8.2

#: Rows and panels beyond these are left to the table.
_MOST_ROWS, _MOST_PANELS = 60, 24

#: Groups that follow on each other in time.
ALONG_TIME = ("quarter", "quarter_done", "period")

_COLUMNS = 2


@dataclass(frozen=True)
class Sheets:
    """The parts of a result that are drawn one below the other, and how much is left out."""

    parts: tuple[Released, ...]
    n_left_out: int = 0


@dataclass(frozen=True)
class _Piece:
    """Rows of the frame that stay together, and the inches that they take."""

    rows: pd.Index
    height: float


def split(released: Released) -> Sheets:
    """Return the parts whose figures each fit a sheet, the whole where one is enough.

    Parameters
    ----------
    released
        Any shape. Every part keeps context, groups and what was withheld.
    """
    cut = _CUTS.get(released.shape.name)
    if cut is None or released.frame.empty:
        return Sheets((released,))
    pieces, n_left_out = cut(released)
    if not n_left_out and sum(piece.height for piece in pieces) <= MOST_HEIGHT:
        return Sheets((released,))
    parts = [_part(released, run) for run in _pack(pieces)]
    return Sheets(tuple(parts), n_left_out)


def _part(released: Released, pieces: Sequence[_Piece]) -> Released:
    rows = np.concatenate([piece.rows for piece in pieces])
    return replace(released, frame=released.frame.loc[rows], hidden=released.hidden.loc[rows])


def _pack(pieces: Sequence[_Piece]) -> list[list[_Piece]]:
    """Return the pieces on as few sheets as they need, filled about alike."""
    fewest = _fill(pieces, MOST_HEIGHT)
    total = sum(piece.height for piece in pieces)
    for limit in np.linspace(total / len(fewest), MOST_HEIGHT, 20):
        if len(runs := _fill(pieces, float(limit))) == len(fewest):
            return runs
    return fewest


def _fill(pieces: Sequence[_Piece], limit: float) -> list[list[_Piece]]:
    runs: list[list[_Piece]] = [[]]
    for piece in pieces:
        if runs[-1] and sum(p.height for p in runs[-1]) + piece.height > limit:
            runs.append([])
        runs[-1].append(piece)
    return runs


_Cut = tuple[list[_Piece], int]


def _cut_estimates(released: Released) -> _Cut:
    frame, groups = released.frame, released.groups
    if not groups:
        # The lines of one measure (``code.line``) stay together.
        codes = frame["measure"].astype(str).str.split(".").str[0]
        return [_Piece(i, FOLDED_HEIGHT * len(i)) for i in _runs(frame, codes)], 0
    if len(groups) == 1 and groups[0] in ALONG_TIME:
        height = PANEL_HEIGHT
    elif len(groups) == 1 and frame[groups[0]].map(lambda value: isinstance(value, Real)).all():
        return [_Piece(frame.index, 0.0)], 0
    else:
        height = panel_of_rows(len(frame[list(groups)].drop_duplicates()))
    return _lines(list(_runs(frame, frame["measure"])), height), 0


def _cut_trend(released: Released) -> _Cut:
    panels = _by_group(released) if released.groups else [released.frame.index]
    shown = panels[:_MOST_PANELS]
    return _lines(shown, PANEL_HEIGHT), len(panels) - len(shown)


def _cut_rows(released: Released) -> _Cut:
    """Cut between groups where the groups' rows are few, else between any two rows."""
    if "limits" in released.beside:
        return [_Piece(released.frame.index, 0.0)], 0
    is_plain = released.shape is COMPARISON and not released.groups
    height = ROW_HEIGHT if is_plain else FOLDED_HEIGHT
    shown = released.frame.iloc[:_MOST_ROWS]
    runs = _by_group(replace(released, frame=shown)) if released.groups else []
    if not runs or max(map(len, runs)) * height > MOST_HEIGHT / 2:
        runs = [pd.Index([row]) for row in shown.index]
    return [_Piece(run, height * len(run)) for run in runs], len(released.frame) - len(shown)


def _cut_flow(released: Released) -> _Cut:
    """Cut a diagram where another way begins; by groups, between two steps."""
    if not released.groups:
        return [_Piece(rows, height) for rows, height in find_ways(released)], 0
    keys = [*released.groups, "step"]
    runs = [rows.index for _, rows in released.frame.groupby(keys, sort=False, dropna=False)]
    shown = runs[:_MOST_PANELS]
    return [_Piece(run, STEP_HEIGHT) for run in shown], len(runs) - len(shown)


def _cut_profile(released: Released) -> _Cut:
    runs = _runs(released.frame, released.frame["variable"])
    return [_Piece(run, ROW_HEIGHT * len(run) + 0.3) for run in runs], 0


def _lines(panels: Sequence[pd.Index], height: float) -> list[_Piece]:
    """Return lines of panels that stand beside each other."""
    return [
        _Piece(pd.Index(np.concatenate(list(panels[at : at + _COLUMNS]))), height)
        for at in range(0, len(panels), _COLUMNS)
    ]


def _by_group(released: Released) -> list[pd.Index]:
    grouped = released.frame.groupby(list(released.groups), sort=False, dropna=False)
    return [rows.index for _, rows in grouped]


def _runs(frame: pd.DataFrame, key: pd.Series) -> list[pd.Index]:
    """Return the rows of each value of a key, values in the order in which they first come."""
    rows: dict[Hashable, list[Hashable]] = {}
    for index, value in zip(frame.index, key, strict=True):
        rows.setdefault(value, []).append(index)
    return [pd.Index(run) for run in rows.values()]


_CUTS: dict[str, Callable[[Released], _Cut]] = {
    FLOW.name: _cut_flow,
    ESTIMATES.name: _cut_estimates,
    TREND.name: _cut_trend,
    COMPARISON.name: _cut_rows,
    EFFECTS.name: _cut_rows,
    PROFILE.name: _cut_profile,
}
