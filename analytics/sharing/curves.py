"""Where a curve ends, and how coarse a public curve is."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from analytics.definitions.policies import Policy
from analytics.results import Result
from analytics.sharing.steps import as_figures, share_step, to_step

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
    frame: pd.DataFrame, groups: tuple[str, ...], policy: Policy, *, time_unit: str
) -> pd.DataFrame:
    """Return curves in steps so wide that none holds a small count, their counts rounded.

    Over each step every group has no event or at least ``smallest_count``, and likewise for
    censoring and entries; the steps are the same for all groups and all curves end together. A
    group that is too few for a public figure, or has so few events that no step could hold them,
    is left out.

    Parameters
    ----------
    frame
        A typed curve; ``at_risk`` is just before each time.
    groups
        Its group columns.
    policy
        One with a smallest count.
    time_unit
        ``day`` or ``cast``.

    Returns
    -------
    DataFrame
        The same columns; ``at_risk`` is as the step begins, ``events`` and ``censored`` are of
        the step, ``estimate`` and its limits as it ends. Counts since the start are rounded, not
        those of a step, so that the three of them add up to all.
    """
    parts = [_Part.of(part) for _, part in _split(frame, groups)] if len(frame) else []
    kept = [part for part in parts if not part.is_too_few(policy)]
    if not kept:
        return frame.iloc[:0]
    grid = _find_grid(
        kept, step=MONTH_DAYS if time_unit == "day" else 1.0, smallest=policy.smallest_count
    )
    coarse = pd.concat([part.read(grid, policy) for part in kept], ignore_index=True)
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

    def is_too_few(self, policy: Policy) -> bool:
        last = self.totals[-1]
        is_rare = bool(((last > 0) & (last < policy.smallest_count)).any())
        return is_rare or self.size < policy.smallest_base

    def total_at(self, times: np.ndarray) -> np.ndarray:
        """Return (len(times), series): running totals up to and including each time."""
        at = np.searchsorted(self.times, times + _NEAR, side="right")
        return np.vstack([np.zeros(self.totals.shape[1]), self.totals])[at]

    def read(self, grid: np.ndarray, policy: Policy) -> pd.DataFrame:
        """Return the rows of this group at the ends of the steps."""
        begun = np.vstack([np.zeros(self.totals.shape[1]), self.total_at(grid)[:-1]])
        ended, began = _to_multiple(self.total_at(grid), policy), _to_multiple(begun, policy)
        n = _to_multiple(np.array([self.size]), policy)
        # Everybody who came, less all who went: never less than none, whatever rounding did.
        at_risk = np.maximum(n + began[:, -1] - began[:, :-1].sum(axis=1), 0)
        last = np.searchsorted(self.times, grid + _NEAR, side="right") - 1
        steps = share_step(np.repeat(n, len(grid)), policy)
        pieces = []
        for number, (_, rows) in enumerate(self.rows.groupby("state", sort=True)):
            piece = rows.iloc[np.maximum(last, 0)].copy()
            piece["time"], piece["at_risk"] = grid, at_risk
            piece["events"] = (ended - began)[:, number]
            piece["censored"] = (ended - began)[:, -2]
            for column in ("estimate", "lower", "upper"):
                values = piece[column].to_numpy(dtype=float, na_value=np.nan)
                piece[column] = as_figures(to_step(values, steps, column))
            pieces.append(piece.iloc[np.flatnonzero(last >= 0)])
        return pd.concat(pieces, ignore_index=True)


def _to_multiple(counts: np.ndarray, policy: Policy) -> np.ndarray:
    """Return counts to the nearest multiple, halves up; small ones are none."""
    return np.floor(counts / policy.rounded_to + 0.5) * policy.rounded_to


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
