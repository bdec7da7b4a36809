"""Cumulative incidence of many groups at one time, in one pass over all rows."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import stats as distributions

from analytics.stats.blocks import Each, add, add_by_key, in_one_block
from analytics.stats.distinct import distinct, n_up_to
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
class GroupTable:
    """How rows of a block end and enter; tables add up.

    Parameters
    ----------
    group, time
        (k,) distinct groups and times at which rows end, sorted.
    n
        (k, 3) rows that end there: all, by any event, by the event itself.
    late_group, late_time, n_late
        (e,) distinct groups and times of entry after the origin, and rows that enter there.
    """

    group: Ints
    time: Floats
    n: Ints
    late_group: Ints
    late_time: Floats
    n_late: Ints


@dataclass(frozen=True)
class _Cells:
    """Distinct (group, time) pairs at which rows end, sorted, with what is summed over them."""

    times: Floats
    key: Ints
    group: Ints
    first: Ints
    n: Floats
    d: Floats
    d1: Floats


@dataclass(frozen=True)
class _Told:
    """What a block is told to find the influence of its rows at the horizon."""

    horizon: float
    cells: _Cells
    own: Floats
    at_event: Floats
    while_at_risk: Floats
    n_groups: int


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
    return read_groups_over(in_one_block(rows), horizon, n_groups=n_groups)


def read_groups_over(each: Each, horizon: float, *, n_groups: int) -> GroupReading:
    """Return one less the cumulative incidence of rows in blocks; see :func:`read_groups`.

    Parameters
    ----------
    each
        Blocks of rows; clusters are whole in a block, and numbered within it.
    horizon
        Where to read, in the unit of the times.
    n_groups
        How many groups there are.
    """
    at = _find_cells(list(each(_tabulate, horizon)), n_groups)
    left = at.n - at.d
    survival = _survive(at, left, n_groups)
    before = _shift(survival, at.group)
    step = before * at.d1 / at.n
    incidence = _cumulate(step, at.group, at.first)
    total = np.bincount(at.group, weights=step, minlength=n_groups).astype(np.float64)
    rest = total[at.group] - incidence
    own = np.divide(rest, left, out=np.zeros_like(left), where=left > 0)
    while_at_risk = _cumulate(own * at.d / at.n - step / at.n, at.group, at.first)
    told = _Told(horizon, at, own, before / at.n, while_at_risk, n_groups)
    none = tuple(np.zeros(n_groups) for _ in range(3))
    variance, n_clusters, still = add([none, *each(_sum_influence, told)])
    counts = (n_clusters.astype(np.int64), still.astype(np.int64))
    return _limit(1 - total, variance, *counts)


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


def _tabulate(rows: GroupRows, horizon: float) -> GroupTable:
    group, time, place = _distinct(rows.group, rows.time)
    near = rows.time <= horizon
    n = [np.bincount(place, minlength=len(group))] + [
        np.bincount(place[near & which], minlength=len(group))
        for which in (rows.ended > 0, rows.ended == 1)
    ]
    is_late = rows.entry > 0
    late_group, late_time, late = _distinct(rows.group[is_late], rows.entry[is_late])
    n_late = np.bincount(late, minlength=len(late_group))
    return GroupTable(group, time, np.stack(n, axis=1), late_group, late_time, n_late)


def _distinct(group: Ints, time: Floats) -> tuple[Ints, Floats, Ints]:
    """Return the distinct pairs of group and time, sorted, and the pair of each row."""
    times, rank = distinct(time)
    width = max(len(times), 1)
    key, place = distinct(group * width + rank)
    return key // width, times[key % width], place


def _find_cells(tables: Sequence[GroupTable], n_groups: int) -> _Cells:
    none = np.empty(0)
    times = np.unique(np.concatenate([none, *(table.time for table in tables)]))
    width = len(times) + 1
    key, n = np.empty(0, dtype=np.int64), np.zeros((0, 3), dtype=np.int64)
    if tables:
        keys = [t.group * width + np.searchsorted(times, t.time) for t in tables]
        key, n = add_by_key(keys, [table.n for table in tables])
    group = key // width
    first = np.searchsorted(group, np.arange(n_groups))
    ended, d, d1 = n.T.astype(np.float64)
    waiting = _wait(tables, times, key)
    still = _cumulate(ended[::-1], group[::-1], _last_first(group, n_groups))[::-1]
    return _Cells(times, key, group, first, still - waiting, d, d1)


def _last_first(group: Ints, n_groups: int) -> Ints:
    """Return where each group begins when cells are read from the last to the first."""
    return len(group) - np.searchsorted(group, np.arange(n_groups), side="right")


def _wait(tables: Sequence[GroupTable], times: Floats, key: Ints) -> Floats:
    """Return the rows of each cell's group that enter at its time or later."""
    width = len(times) + 1
    late = [
        t.late_group * width + np.searchsorted(times, t.late_time, side="right") for t in tables
    ]
    place = np.concatenate([np.empty(0, dtype=np.int64), *late])
    weight = np.concatenate([np.empty(0), *(table.n_late for table in tables)])
    # An entry waits at all cells of its group up to its very time, of which it holds the number.
    order = np.argsort(place, kind="stable")
    total = np.append(0.0, np.cumsum(weight[order]))
    up_to = np.searchsorted(place[order], (key // width + 1) * width, side="left")
    return total[up_to] - total[np.searchsorted(place[order], key, side="right")]


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


def _sum_influence(rows: GroupRows, told: _Told) -> tuple[Floats, Floats, Floats]:
    """Return, by group, squared influence of clusters, clusters, and those at risk at the end."""
    at, n_groups = told.cells, told.n_groups
    width = len(at.times) + 1
    place, near = n_up_to(at.times, rows.time) - 1, rows.time <= told.horizon
    cell = n_up_to(at.key, rows.group * width + place) - 1
    influence = told.while_at_risk[cell]
    is_late = rows.entry > 0
    if is_late.any():
        begun = rows.group * width + n_up_to(at.times, rows.entry)
        latest = n_up_to(at.key, begun - 1) - 1
        same = is_late & (latest >= 0) & (at.group[latest] == rows.group)
        influence = influence - np.where(same, told.while_at_risk[latest], 0.0)
    influence = influence + near * (rows.ended == 1) * told.at_event[cell]
    influence -= near * (rows.ended > 0) * told.own[cell]
    wide = int(rows.cluster.max(initial=0)) + 1
    pairs, of_row = distinct(rows.group * wide + rows.cluster)
    owner = pairs // wide
    by_cluster = np.bincount(of_row, weights=influence, minlength=len(pairs))
    at_risk = (rows.entry < told.horizon) & (rows.time >= told.horizon)
    followed = np.bincount(of_row, weights=at_risk, minlength=len(pairs)) > 0
    variance, n_clusters, still = (
        np.bincount(owner, weights=weights, minlength=n_groups).astype(np.float64)
        for weights in (by_cluster**2, np.ones(len(owner)), followed)
    )
    return variance, n_clusters, still


def _limit(free: Floats, variance: Floats, n_clusters: Ints, still: Ints) -> GroupReading:
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
