"""Where a curve ends, and how coarse a public curve is."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from analytics.results import Result

#: Days of a mean month: public curves step at whole months.
MONTH_DAYS = 30.4375

_NEAR = 1e-6


def end_curves(result: Result, frame: pd.DataFrame, smallest: int) -> pd.DataFrame:
    """Return the rows of a curve up to where fewer than ``smallest`` children are at risk.

    Parameters
    ----------
    result
        A curve. ``beside["children_at_risk"]`` (groups, time, one count), where present, says
        how many children are at risk just before each time; a time between two of its rows takes
        the later row. Without it the rows at risk are taken as feet, of which a child has at most
        two, so a curve may end earlier than it needs to but never later.
    frame
        Its typed frame.
    smallest
        Fewest children at risk for a step to be shown; 0 ends nothing.
    """
    if not smallest or frame.empty:
        return frame
    children = _children_at_risk(result, frame)
    too_few = pd.Series(children < smallest, index=frame.index)
    keys = [frame[name] for name in (*result.groups, "state")]
    order = frame["time"].argsort(kind="stable").to_numpy()
    ended = too_few.iloc[order].groupby([k.iloc[order] for k in keys], dropna=False).cummax()
    return frame.loc[~ended.sort_index()].reset_index(drop=True)


def _children_at_risk(result: Result, frame: pd.DataFrame) -> np.ndarray:
    at_risk = frame["at_risk"].to_numpy(dtype=float, na_value=np.nan)
    beside = result.beside.get("children_at_risk")
    if beside is None:
        return at_risk if result.context.unit == "child" else np.ceil(at_risk / 2)
    groups = list(result.groups)
    (count,) = [c for c in beside.columns if c not in (*groups, "time")]
    left = frame[[*groups, "time"]].assign(position=np.arange(len(frame)))
    right = beside.assign(time=beside["time"].astype("Float64"))
    for name in groups:
        right[name] = right[name].astype(left[name].dtype)
    merged = pd.merge_asof(
        left.sort_values("time", kind="stable"),
        right.sort_values("time", kind="stable"),
        on="time",
        by=groups or None,
        direction="forward",
    )
    found = merged.sort_values("position")[count].to_numpy(dtype=float, na_value=np.nan)
    return np.nan_to_num(found, nan=0.0)


def coarsen_curves(
    frame: pd.DataFrame, groups: tuple[str, ...], *, smallest: int, time_unit: str, n_gone: int = 0
) -> pd.DataFrame:
    """Return curves in steps so wide that none holds a small count.

    Over each step every group has no event or at least ``smallest``, and likewise for censoring
    and entries; the steps are the same for all groups and all curves end together, so that
    subtracting groups from their total gives nothing away. A group with so few events that no
    step could hold them is left out; where one is left out alone the smallest of the others goes
    with it, since the total would give it back.

    Parameters
    ----------
    frame
        A typed curve; ``at_risk`` is just before each time.
    groups
        Its group columns.
    smallest
        Counts from 1 to one below this may not show.
    time_unit
        ``day`` or ``cast``.
    n_gone
        Groups that were left out before.

    Returns
    -------
    DataFrame
        The same columns; ``at_risk`` is as the step begins, ``events`` and ``censored`` are of
        the step, ``estimate`` and its limits as it ends.
    """
    parts = [_Part.of(part) for _, part in _split(frame, groups)] if len(frame) else []
    kept = [part for part in parts if not part.is_rare(smallest)]
    if len(parts) - len(kept) + n_gone == 1 and kept:
        kept.remove(min(kept, key=lambda part: part.size))
    if not kept:
        return frame.iloc[:0]
    grid = _find_grid(kept, step=MONTH_DAYS if time_unit == "day" else 1.0, smallest=smallest)
    coarse = pd.concat([part.read(grid) for part in kept], ignore_index=True)
    return coarse[list(frame.columns)].astype(frame.dtypes)


def _split(frame: pd.DataFrame, groups: tuple[str, ...]) -> list[tuple[object, pd.DataFrame]]:
    if not groups:
        return [((), frame)]
    return list(frame.groupby(list(groups), sort=False, dropna=False))


@dataclass(frozen=True, eq=False)
class _Part:
    """One group's curve: rows in order of time, and running totals of what may not be small."""

    rows: pd.DataFrame
    times: np.ndarray
    totals: np.ndarray  # (T, series): events of each state, censored, entries

    @classmethod
    def of(cls, rows: pd.DataFrame) -> _Part:
        rows = rows.sort_values(["time", "state"], kind="stable")
        events = rows.pivot_table("events", "time", "state", "sum").fillna(0).astype(float)
        first = rows.drop_duplicates("time")
        at_risk = first["at_risk"].to_numpy(dtype=float)
        censored = first["censored"].to_numpy(dtype=float)
        gone = events.to_numpy().sum(axis=1) + censored
        # Everybody stands at risk at 0 whenever they enter, so that entries show as a change.
        entered = np.append(0.0, np.abs(at_risk[1:] - (at_risk - gone)[:-1]))
        series = np.column_stack([events.to_numpy(), censored, entered])
        return cls(rows, first["time"].to_numpy(dtype=float), series.cumsum(axis=0))

    @property
    def end(self) -> float:
        return float(self.times[-1])

    @property
    def size(self) -> float:
        return float(self.rows["at_risk"].iloc[0])

    def is_rare(self, smallest: int) -> bool:
        last = self.totals[-1]
        return bool(((last > 0) & (last < smallest)).any())

    def total_at(self, times: np.ndarray) -> np.ndarray:
        """Return (len(times), series): running totals up to and including each time."""
        at = np.searchsorted(self.times, times + _NEAR, side="right")
        return np.vstack([np.zeros(self.totals.shape[1]), self.totals])[at]

    def read(self, grid: np.ndarray) -> pd.DataFrame:
        """Return the rows of this group at the ends of the steps."""
        starts = np.append(-1.0, grid)[: len(grid)]
        pieces = []
        for number, (_, rows) in enumerate(self.rows.groupby("state", sort=True)):
            last = np.searchsorted(self.times, grid + _NEAR, side="right") - 1
            first = np.searchsorted(self.times, starts + _NEAR, side="right")
            piece = rows.iloc[np.maximum(last, 0)].copy()
            gained = self.total_at(grid) - self.total_at(starts)
            piece["time"] = grid
            piece["at_risk"] = rows["at_risk"].to_numpy()[np.minimum(first, len(rows) - 1)]
            piece["events"], piece["censored"] = gained[:, number], gained[:, -2]
            pieces.append(piece.iloc[np.flatnonzero(last >= 0)])
        return pd.concat(pieces, ignore_index=True)


def _find_grid(parts: list[_Part], *, step: float, smallest: int) -> np.ndarray:
    """Return the times, up to the first end, at which every group gained nothing or enough."""
    candidates = np.arange(0, int(min(part.end for part in parts) / step + _NEAR) + 1) * step
    totals = np.hstack([part.total_at(candidates) for part in parts])
    seen = np.zeros(totals.shape[1])
    grid = []
    for time, total in zip(candidates, totals, strict=True):
        gains = total - seen
        if ((gains > 0) & (gains < smallest)).any() or (time > 0 and not gains.any()):
            continue
        grid.append(time)
        seen = total
    return np.array(grid, dtype=float)
