"""Counts at every observed time, and sums over clusters of squared influence."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from analytics.stats.spells import Spells


@dataclass(frozen=True, slots=True, eq=False)
class RiskCounts:
    """Counts on the sorted distinct ends of the rows.

    Parameters
    ----------
    times
        (T,) distinct times at which a row ends.
    position
        (n,) index into ``times`` of each row's end.
    opened
        (n,) index of the first time at which each row is at risk; ``None``: all from the first.
    n_at_risk
        (T,) rows with entry < t <= time.
    n_ended
        (T, 1 + causes) rows that end at t, censored in column 0, then by cause.
    at_risk, ended
        The same, weighted.
    """

    times: np.ndarray
    position: np.ndarray
    opened: np.ndarray | None
    n_at_risk: np.ndarray
    n_ended: np.ndarray
    at_risk: np.ndarray
    ended: np.ndarray


def count_at_risk(spells: Spells, *, n_causes: int = 1) -> RiskCounts:
    """Count the rows at risk and the ways they end at every observed time.

    Parameters
    ----------
    spells
        Checked rows.
    n_causes
        Number of causes; event codes run from 0 to ``n_causes``.

    Returns
    -------
    RiskCounts
        Counts; whole numbers are exact, so that no order of rows can change them.
    """
    times, position = np.unique(spells.time, return_inverse=True)
    opened = None
    if spells.entry is not None:
        opened = np.searchsorted(times, spells.entry, side="right")
    cell = position * (n_causes + 1) + spells.event
    shape = (len(times), n_causes + 1)
    counts, ended = (
        np.bincount(cell, weights=weights, minlength=shape[0] * shape[1]).reshape(shape)
        for weights in (None, spells.weights)
    )
    n_at_risk, at_risk = (
        _still_open(closing.sum(axis=1), opened, weights)
        for closing, weights in ((counts, None), (ended, spells.weights))
    )
    return RiskCounts(
        times=times,
        position=position,
        opened=opened,
        n_at_risk=n_at_risk.astype(np.int64),
        n_ended=counts.astype(np.int64),
        at_risk=at_risk.astype(float),
        ended=ended.astype(float),
    )


def _still_open(
    ended: np.ndarray, opened: np.ndarray | None, weights: np.ndarray | None
) -> np.ndarray:
    # Summed from the last time backwards, so that the few at the end carry no rounding error
    # from the many at the beginning.
    still = np.cumsum(ended[::-1])[::-1]
    if opened is None:
        return still
    starts = np.bincount(opened, weights=weights, minlength=len(ended) + 1)
    later = np.cumsum(starts[::-1])[::-1]
    return still - later[1:]


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


def clustered_variance(spells: Spells, counts: RiskCounts, steps: InfluenceSteps) -> np.ndarray:
    """Sum over clusters the squared influence at every observed time.

    The square of a sum changes by ``2 before * step + step**2`` at each step, so one sort and
    cumulative sums give all times together, in O(n log n) rather than O(n * times).

    Parameters
    ----------
    spells, counts
        The rows, and their counts from :func:`count_at_risk`.
    steps
        What each row adds to its cluster's state.

    Returns
    -------
    numpy.ndarray
        (T,) variances.
    """
    cluster, key, kind, step = _all_steps(spells, counts, steps)
    step, key, first = _sorted_by_cluster((cluster, key, kind), step)
    before = _sums_before(step, first)
    n_times, width = steps.basis.shape
    variance = np.zeros(n_times)
    for a in range(width):
        for b in range(a + 1):
            grown = step[:, a] * before[:, b] + before[:, a] * step[:, b] + step[:, a] * step[:, b]
            total = np.bincount(key, weights=grown, minlength=n_times + 2).cumsum()
            share = total[1 : n_times + 1] * steps.basis[:, a] * steps.basis[:, b]
            variance += share if a == b else 2 * share
    return np.maximum(variance, 0.0)


def clusters_at_risk(spells: Spells, counts: RiskCounts) -> np.ndarray:
    """Count at every observed time the clusters with at least one row at risk.

    Parameters
    ----------
    spells, counts
        The rows, and their counts from :func:`count_at_risk`.

    Returns
    -------
    numpy.ndarray
        (T,) whole numbers; rows at risk where there are no clusters.
    """
    if spells.cluster is None:
        return counts.n_at_risk
    ones = np.ones((len(spells.time), 1))
    steps = InfluenceSteps(at_entry=ones, at_end=-ones, basis=counts.times[:, None])
    cluster, key, kind, step = _all_steps(spells, counts, steps, weighted=False)
    step, key, first = _sorted_by_cluster((cluster, key, kind), step)
    before = _sums_before(step, first)[:, 0]
    turned = ((before + step[:, 0]) > 0.5).astype(float) - (before > 0.5)
    n_times = len(counts.times)
    return np.bincount(key, weights=turned, minlength=n_times + 1).cumsum()[:n_times].astype(int)


def _all_steps(
    spells: Spells, counts: RiskCounts, steps: InfluenceSteps, *, weighted: bool = True
) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    units = spells.units
    weights = np.ones(len(units)) if spells.weights is None or not weighted else spells.weights
    at_end = steps.at_end * weights[:, None]
    at_entry = np.broadcast_to(steps.at_entry, at_end.shape) * weights[:, None]
    if counts.opened is None:
        summed = [np.bincount(units, weights=column) for column in at_entry.T]
        begun, at_entry = np.arange(spells.n_clusters), np.stack(summed, axis=1)
        opened = np.zeros(spells.n_clusters, dtype=np.int64)
    else:
        begun, opened = units, counts.opened
    cluster = np.concatenate([begun, units])
    key = np.concatenate([opened, counts.position + 1])
    kind = np.concatenate([np.zeros(len(begun), dtype=np.int64), 1 + spells.event])
    return cluster, key, kind, np.concatenate([at_entry, at_end])


def _sorted_by_cluster(
    keys: tuple[np.ndarray, np.ndarray, np.ndarray], step: np.ndarray
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    # Steps that share cluster, time and kind are equal, so the order of the rows cannot show.
    cluster, key, kind = keys
    joint = (cluster * (int(key.max()) + 1) + key) * (int(kind.max()) + 1) + kind
    order = np.argsort(joint, kind="stable")
    sorted_cluster = cluster[order]
    first = np.ones(len(order), dtype=bool)
    first[1:] = sorted_cluster[1:] != sorted_cluster[:-1]
    return step[order], key[order], first


def _sums_before(step: np.ndarray, first: np.ndarray) -> np.ndarray:
    before = np.zeros_like(step)
    np.cumsum(step[:-1], axis=0, out=before[1:])
    start = np.flatnonzero(first)
    offset = before[start]
    return before - np.repeat(offset, np.diff(np.append(start, len(step))), axis=0)
