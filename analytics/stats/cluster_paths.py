"""Sums over clusters of squared influence, at every observed time at once."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from analytics.stats.at_risk import RiskCounts
from analytics.stats.spells import Spells


@dataclass(frozen=True, slots=True, eq=False)
class InfluenceSteps:
    """How the influence of a row on an estimate changes as the row enters and ends.

    At the time with index j the influence of a cluster is ``state @ basis[j]``, where ``state``
    is the sum of the steps of its rows so far.

    Parameters
    ----------
    at_entry
        (n, q) step when the row enters, or (q,) when all rows enter at the origin.
    at_end
        (n, q) step when the row ends, in force from that very time on.
    basis
        (T, q) values that turn a state into an influence.
    """

    at_entry: np.ndarray
    at_end: np.ndarray
    basis: np.ndarray


@dataclass(frozen=True, slots=True, eq=False)
class ClusterPaths:
    """Entries and ends of the rows, sorted by cluster, then time.

    Parameters
    ----------
    rows
        (r,) rows that are followed: all, or one for each set of rows that cannot be told apart.
    units
        (r,) cluster of each.
    repeats
        (r,) how many rows each stands for.
    at_origin
        True when all rows enter at the origin, in one step per cluster.
    order
        (m,) sorts the entries, followed by the ends.
    key
        (m,) sorted; index of the first time at which a row is at risk (entry) or no longer is.
    first
        (m,) True at the first step of each cluster.
    """

    rows: np.ndarray | slice
    units: np.ndarray
    repeats: np.ndarray
    at_origin: bool
    order: np.ndarray
    key: np.ndarray
    first: np.ndarray


def find_cluster_paths(spells: Spells, counts: RiskCounts) -> ClusterPaths:
    """Sort the entries and ends of the rows by cluster, then time.

    Parameters
    ----------
    spells, counts
        The rows, and their counts from :func:`analytics.stats.at_risk.count_at_risk`.

    Returns
    -------
    ClusterPaths
        Steps that share cluster, time and kind are equal, so that the order in which the rows
        were given cannot show in any sum, not even in the last bit.
    """
    rows, units, repeats = _followed(spells, counts)
    ends, kind = counts.position[rows] + 1, 1 + spells.event[rows]
    if counts.opened is None:
        begun = np.arange(int(units.max()) + 1)
        opened = np.zeros(len(begun), dtype=np.int64)
    else:
        begun, opened = units, counts.opened[rows]
    key = np.concatenate([opened, ends])
    kind = np.concatenate([np.zeros(len(begun), dtype=np.int64), kind])
    cluster = np.concatenate([begun, units])
    joint = (cluster * (len(counts.times) + 2) + key) * (int(kind.max()) + 1) + kind
    order = np.argsort(joint, kind="stable")
    cluster = cluster[order]
    first = np.ones(len(order), dtype=bool)
    first[1:] = cluster[1:] != cluster[:-1]
    return ClusterPaths(rows, units, repeats, counts.opened is None, order, key[order], first)


def clustered_variance(spells: Spells, paths: ClusterPaths, steps: InfluenceSteps) -> np.ndarray:
    """Sum over clusters the squared influence at every observed time.

    The square of a sum changes by ``2 before * step + step**2`` at each step, so one sort and
    cumulative sums give all times together, in O(n log n) rather than O(n * times).

    Parameters
    ----------
    spells, paths
        The rows, and their steps sorted by cluster.
    steps
        What each row adds to the state of its cluster.

    Returns
    -------
    numpy.ndarray
        (T,) variances.
    """
    step = _sorted_steps(paths, steps.at_entry, steps.at_end, spells.weights)
    before = _sums_before(step, paths.first)
    repeats = _sorted_repeats(paths)
    n_times, width = steps.basis.shape
    variance = np.zeros(n_times)
    for a in range(width):
        for b in range(a + 1):
            grown = step[:, a] * before[:, b] + (before[:, a] + step[:, a]) * step[:, b]
            total = np.bincount(paths.key, weights=grown * repeats, minlength=n_times + 2)
            share = total.cumsum()[1 : n_times + 1] * steps.basis[:, a] * steps.basis[:, b]
            variance += share if a == b else 2 * share
    # A variance of 0 may come out as minus the last digit of what was cancelled.
    return np.maximum(variance, 0.0)


def clusters_at_risk(spells: Spells, counts: RiskCounts, paths: ClusterPaths) -> np.ndarray:
    """Count at every observed time the clusters with at least one row at risk.

    Parameters
    ----------
    spells, counts, paths
        The rows, their counts, and their steps sorted by cluster.

    Returns
    -------
    numpy.ndarray
        (T,) whole numbers; rows at risk where there are no clusters.
    """
    if spells.cluster is None:
        return counts.n_at_risk
    ones = np.ones((len(spells.time), 1))
    step = _sorted_steps(paths, ones, -ones, None)
    before = _sums_before(step, paths.first)[:, 0]
    turned = ((before + step[:, 0]) > 0.5).astype(float) - (before > 0.5)
    n_times = len(counts.times)
    total = np.bincount(paths.key, weights=turned, minlength=n_times + 1)
    return total.cumsum()[:n_times].astype(np.int64)


def _followed(
    spells: Spells, counts: RiskCounts
) -> tuple[np.ndarray | slice, np.ndarray, np.ndarray]:
    n = len(spells.time)
    if spells.cluster is not None or spells.weights is not None:
        return slice(None), spells.units, np.ones(n)
    # Rows that stand alone and share entry, end and kind have one and the same influence.
    alike = counts.position * (int(spells.event.max()) + 1) + spells.event
    if counts.opened is not None:
        alike = alike * (len(counts.times) + 1) + counts.opened
        _, rows, repeats = np.unique(alike, return_index=True, return_counts=True)
    else:
        holder = np.full(int(alike.max()) + 1, -1)
        holder[alike] = np.arange(n)
        rows = holder[holder >= 0]
        repeats = np.bincount(alike)[holder >= 0]
    return rows, np.arange(len(rows)), repeats.astype(float)


def _sorted_steps(
    paths: ClusterPaths, at_entry: np.ndarray, at_end: np.ndarray, weights: np.ndarray | None
) -> np.ndarray:
    entered = np.broadcast_to(at_entry, at_end.shape)[paths.rows]
    ended = at_end[paths.rows]
    if weights is not None:
        entered, ended = entered * weights[paths.rows, None], ended * weights[paths.rows, None]
    if paths.at_origin:
        columns = [np.bincount(paths.units, weights=column) for column in entered.T]
        entered = np.stack(columns, axis=1)
    return np.take(np.concatenate([entered, ended]), paths.order, axis=0)


def _sorted_repeats(paths: ClusterPaths) -> np.ndarray:
    # Only rows that stand alone repeat; they enter and end once each.
    if len(paths.order) != 2 * len(paths.units):
        return np.ones(len(paths.order))
    return np.tile(paths.repeats, 2)[paths.order]


def _sums_before(step: np.ndarray, first: np.ndarray) -> np.ndarray:
    before = np.zeros_like(step)
    np.cumsum(step[:-1], axis=0, out=before[1:])
    start = np.flatnonzero(first)
    offset = before[start]
    return before - np.repeat(offset, np.diff(np.append(start, len(step))), axis=0)
