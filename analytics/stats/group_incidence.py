"""Cumulative incidence of many groups at one time, in one pass over all rows."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import stats as distributions

from analytics.stats.proportions import Interval
from analytics.stats.spells import FEW_CLUSTERS
from analytics.stats.survival import log_log_limits

Ints = NDArray[np.int64]
Floats = NDArray[np.float64]


@dataclass(frozen=True)
class GroupRows:
    """Rows of all groups, checked by who made them.

    Parameters
    ----------
    time, entry
        (n,) at risk on (entry, time].
    ended
        (n,) 0 censored, 1 the event, 2 a competing one.
    cluster, group
        (n,) whole numbers from 0.
    """

    time: Floats
    entry: Floats
    ended: Ints
    cluster: Ints
    group: Ints


@dataclass(frozen=True)
class GroupReading(Interval):
    """Probability of being free of the event at the horizon, one element per group.

    ``se`` is the clustered standard error; ``n_clusters`` all clusters of the group and
    ``still_followed`` those at risk at the horizon.
    """

    se: Floats
    n_clusters: Ints
    still_followed: Ints


@dataclass(frozen=True)
class _Cells:
    """Distinct (group, time) pairs at which rows end, sorted, with what is summed over them."""

    of_row: Ints
    group: Ints
    first: Ints
    n: Floats
    d: Floats
    d1: Floats


def read_groups(rows: GroupRows, horizon: float, *, n_groups: int) -> GroupReading:
    """Return one less the cumulative incidence at a horizon for every group.

    Parameters
    ----------
    rows
        Rows of all groups; a competing event given as censored makes this Kaplan-Meier.
    horizon
        Where to read, in the unit of the times.
    n_groups
        How many groups there are.

    Returns
    -------
    GroupReading
        NaN for a group without rows.

    Notes
    -----
    Aalen & Johansen 1978, Scand J Stat 5:141; infinitesimal jackknife summed within clusters; the
    limits of ``stats.survival``, read at one time. Where nothing had happened by the horizon that
    curve has no limits; here the lower one is the exact limit of none in as many clusters as
    were still followed.
    """
    at = _find_cells(rows, horizon, n_groups)
    left = at.n - at.d
    survival = _survive(at, left, n_groups)
    before = _shift(survival, at.group)
    step = before * at.d1 / at.n
    incidence = _cumulate(step, at.group, at.first)
    total = np.bincount(at.group, weights=step, minlength=n_groups).astype(np.float64)
    rest = total[at.group] - incidence
    own = np.divide(rest, left, out=np.zeros_like(left), where=left > 0)
    while_at_risk = _cumulate(own * at.d / at.n - step / at.n, at.group, at.first)
    cell, near = at.of_row, rows.time <= horizon
    influence = while_at_risk[cell] - _at_entry(rows, at, while_at_risk)
    influence += near * (rows.ended == 1) * (before / at.n)[cell]
    influence -= near * (rows.ended > 0) * own[cell]
    return _limit(rows, influence, 1 - total, horizon=horizon)


def group_rows(
    time: ArrayLike, ended: ArrayLike, entry: ArrayLike, *, cluster: ArrayLike, group: ArrayLike
) -> GroupRows:
    """Return rows as arrays of their types."""
    return GroupRows(
        np.asarray(time, dtype=np.float64),
        np.asarray(entry, dtype=np.float64),
        np.asarray(ended, dtype=np.int64),
        np.asarray(cluster, dtype=np.int64),
        np.asarray(group, dtype=np.int64),
    )


def _find_cells(rows: GroupRows, horizon: float, n_groups: int) -> _Cells:
    _, rank = np.unique(np.concatenate([rows.time, rows.entry]), return_inverse=True)
    width = int(rank.max(initial=0)) + 1
    ends, enters = np.split(rank.astype(np.int64) + np.tile(rows.group, 2) * width, 2)
    keys, of_row = np.unique(ends, return_inverse=True)
    group = keys // width
    n_up_to = np.searchsorted(np.sort(rows.group), np.arange(n_groups), side="right")
    n_open = n_up_to[group] - np.searchsorted(np.sort(ends), keys)
    n_waiting = n_up_to[group] - np.searchsorted(np.sort(enters), keys)
    near = rows.time <= horizon
    d1, d = (
        np.bincount(of_row, weights=near & which, minlength=len(keys)).astype(np.float64)
        for which in (rows.ended == 1, rows.ended > 0)
    )
    first = np.searchsorted(group, np.arange(n_groups))
    return _Cells(of_row.astype(np.int64), group, first, (n_open - n_waiting).astype(float), d, d1)


def _survive(at: _Cells, left: Floats, n_groups: int) -> Floats:
    """Return the probability of neither event after each cell."""
    log_step = np.log(np.divide(left, at.n, out=np.ones_like(left), where=left > 0))
    is_zero = _cumulate((left <= 0).astype(float), at.group, at.first) > 0
    return np.where(is_zero, 0.0, np.exp(_cumulate(log_step, at.group, at.first)))


def _cumulate(values: Floats, group: Ints, first: Ints) -> Floats:
    """Return the running sum within each group."""
    total = np.append(0.0, np.cumsum(values))
    return total[1:] - total[first[group]]


def _shift(values: Floats, group: Ints) -> Floats:
    """Return the value of the cell before in the same group, 1 at the first."""
    shifted = np.append(1.0, values[:-1])[: len(values)]
    begins = np.append(True, group[1:] != group[:-1])[: len(values)]
    return np.where(begins, 1.0, shifted)


def _at_entry(rows: GroupRows, at: _Cells, running: Floats) -> Floats:
    """Return the running sum up to the entry of each row; 0 for rows there from the beginning."""
    if not rows.entry.any():
        return np.zeros(len(rows.time))
    cell_time = np.zeros(len(at.group))
    cell_time[at.of_row] = rows.time
    late = np.lexsort((np.append(cell_time, rows.entry), np.append(at.group, rows.group)))
    # Cells sort before entries at the same time, since they stand first: an entry at t is after t.
    is_cell = late < len(at.group)
    latest = np.maximum.accumulate(np.where(is_cell, late, -1))
    place = np.empty(len(rows.time), dtype=np.int64)
    place[late[~is_cell] - len(at.group)] = latest[~is_cell]
    of_group = (place >= 0) & (at.group[place] == rows.group)
    return np.where(of_group, running[place], 0.0)


def _limit(rows: GroupRows, influence: Floats, free: Floats, *, horizon: float) -> GroupReading:
    n_groups = len(free)
    width = int(rows.cluster.max(initial=0)) + 1
    pairs, of_row = np.unique(rows.group * width + rows.cluster, return_inverse=True)
    owner = pairs // width
    by_cluster = np.bincount(of_row, weights=influence, minlength=len(pairs))
    variance = np.bincount(owner, weights=by_cluster**2, minlength=n_groups)
    at_risk = (rows.entry < horizon) & (rows.time >= horizon)
    followed = np.bincount(of_row, weights=at_risk, minlength=len(pairs)) > 0
    n_clusters = np.bincount(owner, minlength=n_groups)
    still = np.bincount(owner, weights=followed, minlength=n_groups).astype(np.int64)
    few = n_clusters < FEW_CLUSTERS
    by_t = distributions.t.ppf(0.975, np.maximum(n_clusters - 1, 1))
    z = np.where(few, np.where(n_clusters > 1, by_t, np.nan), distributions.norm.ppf(0.975))
    se = np.sqrt(variance)
    lower, upper = log_log_limits(free, se * z, z=1.0)
    nothing = (free >= 1) & (still > 0)
    lower = np.where(nothing, 0.025 ** (1 / np.maximum(still, 1)), lower)
    upper = np.where(nothing, 1.0, upper)
    empty = n_clusters == 0
    free, lower, upper, se = (np.where(empty, np.nan, part) for part in (free, lower, upper, se))
    return GroupReading(free, lower, upper, se, n_clusters, still)
