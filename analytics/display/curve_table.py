"""A curve read at a few times: still followed, ended and events, which add up to all."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import pandas as pd

from analytics.display import terms
from analytics.display.numbers import DAYS_IN_YEAR
from analytics.sharing.protect import Released

_NEAR = 1e-6
_MOST_TICKS = 7

#: Ticks nearer than this share of a step would write over each other.
_LEAST_APART = 0.55

#: Steps between ticks that readers count in, in days.
_STEPS_DAYS = (7, 14, DAYS_IN_YEAR / 12, DAYS_IN_YEAR / 4, DAYS_IN_YEAR / 2, DAYS_IN_YEAR)


def parts_of(released: Released) -> Iterator[tuple[tuple[object, ...], pd.DataFrame]]:
    """Yield the values of the groups and the state, and the rows of each curve in order of time."""
    keys = [*released.groups, "state"]
    for key, rows in released.frame.groupby(keys, sort=False, dropna=False):
        yield tuple(key), rows.sort_values("time", kind="stable")


def count_words(name: str, released: Released, language: str) -> str:
    """Return the words of a count below a curve.

    What leaves one of several states left it otherwise, the other states' events among them.
    """
    is_shared = name == "censored" and released.frame["state"].nunique() > 1
    return terms.column("censored_or_other" if is_shared else name, language)


def is_coarse(released: Released) -> bool:
    """Return whether the curve is known only where its steps end."""
    return released.policy.smallest_count > 0


def marks(released: Released) -> np.ndarray:
    """Return the times, from 0, that are marked on the axis: whole units that readers count in."""
    if released.frame.empty:
        return np.empty(0)
    end = float(released.frame["time"].max())
    return np.arange(0.0, end + _NEAR, _step(end, released.context.time_unit))


def ticks(released: Released) -> np.ndarray:
    """Return the times, from 0, at which the table below the curve is read.

    They are those of ``marks``; where only the ends of steps are known, the ends next to those.
    """
    wanted = marks(released)
    if not is_coarse(released) or not len(wanted):
        return wanted
    times = np.unique(released.frame["time"].to_numpy(dtype=float))
    near = times[np.abs(times[:, None] - wanted[None, :]).argmin(axis=0)]
    step = _step(float(times[-1]), released.context.time_unit)
    picked = [near[0]]
    for time in near[1:]:
        if time - picked[-1] > step * _LEAST_APART:
            picked.append(time)
    return np.array(picked)


def _step(end: float, time_unit: str) -> float:
    steps = _STEPS_DAYS if time_unit == "day" else (1.0, 2.0, 5.0)
    for step in steps:
        if end / step < _MOST_TICKS:
            return step
    whole = steps[-1]
    return whole * np.ceil(end / whole / (_MOST_TICKS - 1))


def read_at(rows: pd.DataFrame, times: np.ndarray) -> pd.DataFrame:
    """Return one curve at given times, up to where it ends.

    Parameters
    ----------
    rows
        One curve in order of time; ``at_risk`` just before each row's time.
    times
        When to read.

    Returns
    -------
    DataFrame
        ``time, at_risk`` (still followed after it), ``censored, events`` (up to and including
        it), ``waiting`` (to be followed only later), ``estimate, lower, upper``. The first four
        counts add up to all who were ever followed.
    """
    at = rows["time"].to_numpy(dtype=float)
    times = times[times <= at[-1] + _NEAR] if len(at) else times[:0]
    last = np.searchsorted(at, times + _NEAR, side="right") - 1
    events, censored = (rows[c].to_numpy(dtype=float).cumsum() for c in ("events", "censored"))
    n = float(rows["at_risk"].iloc[0]) if len(at) else 0.0
    gone = rows["events"].to_numpy(dtype=float) + rows["censored"].to_numpy(dtype=float)
    still = rows["at_risk"].to_numpy(dtype=float) - gone
    begun = last >= 0
    safe = np.maximum(last, 0)
    table = pd.DataFrame({"time": times})
    table["at_risk"] = np.where(begun, still[safe], n)
    table["censored"] = np.where(begun, censored[safe], 0.0)
    table["events"] = np.where(begun, events[safe], 0.0)
    table["waiting"] = n - table[["at_risk", "censored", "events"]].sum(axis=1)
    counts = ["at_risk", "censored", "events", "waiting"]
    table[counts] = table[counts].round().astype("Int64")
    start = 0.0 if begun.any() and float(rows["estimate"].iloc[0] or 0.0) < 0.5 else 1.0
    for name in ("estimate", "lower", "upper"):
        values = rows[name].to_numpy(dtype=float, na_value=np.nan)
        table[name] = np.where(begun, values[safe], start)
    # What is so by definition has no interval.
    table.loc[table["time"] <= 0, ["lower", "upper"]] = np.nan
    return table
