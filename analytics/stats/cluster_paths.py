"""Sums over clusters of squared influence, at every observed time at once."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from analytics.stats.at_risk import RiskCounts, place_rows
from analytics.stats.cluster_pairs import Pairs, find_pairs, small_products
from analytics.stats.spells import Spells


@dataclass(frozen=True, slots=True, eq=False)
class InfluenceSteps:
    """How the influence of a row on an estimate changes as the row enters and ends.

    At the time with index j the influence of a cluster is ``state @ basis[j]``, where ``state``
    is the sum of the steps of its rows so far.

    Parameters
    ----------
    at_entry
        (T + 1, q) step when the row enters, by the first time at which it is at risk, or (q,)
        when all rows enter at the origin.
    at_end
        (T, kinds, q) step when the row ends, by its time and event code, in force from that very
        time on.
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
    pairs
        Rows in clusters of one or two, which need no sorting; ``None`` where rows enter late or
        have weights.
    rows
        (r,) the other rows.
    units, position, event
        (r,) cluster, index of the end and event code of each.
    at_origin
        True when all rows enter at the origin, in one step per cluster.
    order
        (m,) sorts the entries, followed by the ends.
    key
        (m,) sorted; index of the first time at which a row is at risk (entry) or no longer is.
    first
        (m,) True at the first step of each cluster.
    """

    pairs: Pairs | None
    rows: np.ndarray
    units: np.ndarray
    position: np.ndarray
    event: np.ndarray
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
    pairs, rows = None, np.arange(len(spells.time))
    if counts.opened is None and spells.weights is None:
        pairs, rows = find_pairs(spells, counts)
    _, units = np.unique(spells.units[rows], return_inverse=True)
    position, event = counts.position[rows], spells.event[rows]
    ends, kind = position + 1, 1 + event
    if counts.opened is None:
        begun = np.arange(int(units.max(initial=-1)) + 1)
        opened = np.zeros(len(begun), dtype=np.int64)
    else:
        begun, opened = units, counts.opened[rows]
    key = np.concatenate([opened, ends])
    kind = np.concatenate([np.zeros(len(begun), dtype=np.int64), kind])
    cluster = np.concatenate([begun, units])
    joint = (cluster * (len(counts.times) + 2) + key) * (int(kind.max(initial=0)) + 1) + kind
    order = np.argsort(joint, kind="stable")
    cluster = cluster[order]
    first = np.ones(len(order), dtype=bool)
    first[1:] = cluster[1:] != cluster[:-1]
    at_origin = counts.opened is None
    return ClusterPaths(pairs, rows, units, position, event, at_origin, order, key[order], first)


def follow_clusters(
    spells: Spells, counts: RiskCounts, moves: Sequence[InfluenceSteps]
) -> tuple[np.ndarray, ...]:
    """Return clusters at risk, and sums of products of clusters' states; a step over blocks.

    Parameters
    ----------
    spells
        Rows of a block; its clusters are whole.
    counts
        Counts of the rows of all blocks.
    moves
        What each row adds to the state of its cluster, for each estimate.

    Returns
    -------
    tuple of numpy.ndarray
        (T,) clusters at risk, then (T, q, q) for each estimate; all add up over blocks.
    """
    placed = place_rows(spells, counts)
    paths = find_cluster_paths(spells, placed)
    products = (cluster_products(spells, placed, paths, steps) for steps in moves)
    return clusters_at_risk(spells, placed, paths), *products


def cluster_products(
    spells: Spells, counts: RiskCounts, paths: ClusterPaths, steps: InfluenceSteps
) -> np.ndarray:
    """Sum over clusters the products of their states at every observed time.

    Parameters
    ----------
    spells, counts, paths
        The rows, counts in which they are placed, and their steps sorted by cluster.
    steps
        What each row adds to the state of its cluster.

    Returns
    -------
    numpy.ndarray
        (T, q, q).
    """
    n_times, width = steps.basis.shape
    moved = np.zeros((n_times, width, width))
    if paths.pairs is not None:
        moved += small_products(paths.pairs, steps.at_entry, steps.at_end)
    if len(paths.rows):
        moved += _path_products(spells, counts, paths, steps)
    return moved


def clustered_variance(products: np.ndarray, steps: InfluenceSteps) -> np.ndarray:
    """Return the sum over clusters of their squared influence, at every observed time.

    Parameters
    ----------
    products
        (T, q, q) of all clusters.
    steps
        What they were made with.

    Returns
    -------
    numpy.ndarray
        (T,) variances.
    """
    variance = np.einsum("tab,ta,tb->t", products, steps.basis, steps.basis)
    # A variance of 0 may come out as minus the last digit of what was cancelled.
    return np.maximum(variance, 0.0)


def _path_products(
    spells: Spells, counts: RiskCounts, paths: ClusterPaths, steps: InfluenceSteps
) -> np.ndarray:
    """Sum over clusters the products of their states at every time; (T, q, q)."""
    ended = steps.at_end[paths.position, paths.event]
    entered = steps.at_entry
    if counts.opened is not None:
        entered = entered[counts.opened[paths.rows]]
    entered = np.broadcast_to(entered, ended.shape)
    step = _sorted_steps(paths, entered, ended, spells.weights)
    before = _sums_before(step, paths.first)
    n_times, width = steps.basis.shape
    products = np.empty((n_times, width, width))
    for a in range(width):
        for b in range(a + 1):
            grown = step[:, a] * before[:, b] + (before[:, a] + step[:, a]) * step[:, b]
            total = np.bincount(paths.key, weights=grown, minlength=n_times + 2)
            products[:, a, b] = products[:, b, a] = total.cumsum()[1 : n_times + 1]
    return products


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
    n_times = len(counts.times)
    if counts.opened is None:
        last = np.zeros(spells.n_clusters, dtype=np.int64)
        np.maximum.at(last, spells.units, counts.position)
        return np.cumsum(np.bincount(last, minlength=n_times)[::-1])[::-1].astype(np.int64)
    ones = np.ones((len(spells.time), 1))
    step = _sorted_steps(paths, ones, -ones, None)
    before = _sums_before(step, paths.first)[:, 0]
    turned = ((before + step[:, 0]) > 0.5).astype(float) - (before > 0.5)
    total = np.bincount(paths.key, weights=turned, minlength=n_times + 1)
    return total.cumsum()[:n_times].astype(np.int64)


def _sorted_steps(
    paths: ClusterPaths, entered: np.ndarray, ended: np.ndarray, weights: np.ndarray | None
) -> np.ndarray:
    if weights is not None:
        own = weights[paths.rows, None]
        entered, ended = entered * own, ended * own
    if paths.at_origin:
        columns = [np.bincount(paths.units, weights=column) for column in entered.T]
        entered = np.stack(columns, axis=1)
    return np.take(np.concatenate([entered, ended]), paths.order, axis=0)


def _sums_before(step: np.ndarray, first: np.ndarray) -> np.ndarray:
    before = np.zeros_like(step)
    np.cumsum(step[:-1], axis=0, out=before[1:])
    start = np.flatnonzero(first)
    offset = before[start]
    return before - np.repeat(offset, np.diff(np.append(start, len(step))), axis=0)
