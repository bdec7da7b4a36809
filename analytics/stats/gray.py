"""Comparison of cumulative incidences between groups when other causes can come first."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike

from analytics.errors import NotEstimableError
from analytics.stats.chi_square import ChiSquare, quadratic_form
from analytics.stats.risk_sets import LateStay, RiskSets, find_risk_sets
from analytics.stats.spells import Spells, as_clusters, require_events
from analytics.stats.subdistribution import uncensored_before


@dataclass(frozen=True, slots=True, eq=False)
class GrayTest:
    """Observed events of one cause per group against those expected at one common incidence.

    Parameters
    ----------
    labels
        (k,) labels of the groups, sorted.
    observed, expected
        (k,) events of the cause.
    test
        Of no difference; cluster-robust when the rows were clustered.
    test_naive
        The same with all rows taken as independent (Gray's variance).
    n, n_events, n_clusters
        Rows, events of the cause, clusters.
    """

    labels: np.ndarray
    observed: np.ndarray
    expected: np.ndarray
    test: ChiSquare
    test_naive: ChiSquare
    n: int
    n_events: int
    n_clusters: int


@dataclass(frozen=True, slots=True, eq=False)
class _Tables:
    """One line per time at which a row ended by any cause; one column per group.

    Rows at risk, events of the cause and of the others; survival of all causes before and after
    each time; incidence of the cause before it.
    """

    times: np.ndarray
    at_risk: np.ndarray
    own: np.ndarray
    other: np.ndarray
    free_before: np.ndarray
    free_after: np.ndarray
    had_before: np.ndarray


def gray_test(spells: Spells, group: ArrayLike, *, cause: int = 1) -> GrayTest:
    """Compare the subdistribution hazards of one cause between groups.

    Gray (1988) Ann Stat 16:1141 with weights 1: events of each group against its share of
    ``Y (1 - F(t-)) / S(t-)``, the rows that would still be at risk had no other cause come first.
    ``test_naive`` has his variance, as R's ``cmprsk::cuminc``. With clusters, the variance of
    ``test`` sums squared score residuals within them, the censoring of each group taken as known,
    as the robust score test of R's ``coxph`` on ``finegray`` data with a censoring curve for each
    group.

    Parameters
    ----------
    spells
        Checked rows from the origin (no entry), unweighted, with event codes 0, 1, 2, ...
    group
        (n,) labels of at least two groups.
    cause
        Code of the cause of interest.

    Returns
    -------
    GrayTest
        Counts and tests.

    Raises
    ------
    NotEstimableError
        ``one_group``, ``no_events``, ``no_contrast``, ``entry_not_supported``,
        ``weights_not_supported``.
    """
    labels = _check(spells, group)
    codes = as_clusters(group, n=len(spells.time))
    wanted = replace(spells, event=(spells.event == cause).astype(np.int64))
    require_events(wanted)
    tables = _tabulate(spells, codes, cause, n_groups=len(labels))
    would = tables.at_risk * (1 - tables.had_before) / tables.free_before
    d = tables.own.sum(axis=1)
    share = _share(would, would.sum(axis=1, keepdims=True))
    expected = d @ share
    observed = tables.own.sum(axis=0)
    score = observed - expected
    naive = quadratic_form(score, _variance(tables))
    robust = naive
    if spells.cluster is not None:
        residuals = _residuals(spells, wanted, codes, len(labels), cause=cause)
        sums = np.stack([np.bincount(spells.units, weights=c) for c in residuals.T], axis=1)
        robust = quadratic_form(score, sums.T @ sums)
    return GrayTest(
        labels=labels,
        observed=observed,
        expected=expected,
        test=robust,
        test_naive=naive,
        n=len(codes),
        n_events=int(d.sum()),
        n_clusters=spells.n_clusters,
    )


def _check(spells: Spells, group: ArrayLike) -> np.ndarray:
    if spells.entry is not None:
        raise NotEstimableError("entry_not_supported", n_rows=len(spells.time))
    if spells.weights is not None:
        raise NotEstimableError("weights_not_supported", n_rows=len(spells.time))
    labels = np.unique(np.asarray(group))
    if len(labels) < 2:
        raise NotEstimableError("one_group", n_groups=len(labels), n_rows=len(spells.time))
    return labels


def _share(part: np.ndarray, whole: np.ndarray) -> np.ndarray:
    out = np.zeros(np.broadcast_shapes(part.shape, whole.shape))
    return np.divide(part, whole, out=out, where=whole > 0)


def _tabulate(spells: Spells, codes: np.ndarray, cause: int, *, n_groups: int) -> _Tables:
    times, place = np.unique(spells.time[spells.event > 0], return_inverse=True)
    ended = spells.event > 0
    shape = (len(times), n_groups)
    own, other = np.zeros(shape), np.zeros(shape)
    is_own = spells.event[ended] == cause
    np.add.at(own, (place[is_own], codes[ended][is_own]), 1.0)
    np.add.at(other, (place[~is_own], codes[ended][~is_own]), 1.0)
    at_risk = np.stack(
        [
            (codes == g).sum() - np.searchsorted(np.sort(spells.time[codes == g]), times)
            for g in range(n_groups)
        ],
        axis=1,
    ).astype(float)
    free = np.cumprod(1 - _share(own + other, at_risk), axis=0)
    before = np.vstack([np.ones(n_groups), free[:-1]])
    had = np.cumsum(before * _share(own, at_risk), axis=0)
    # A group of which nobody is left enters nothing any more: its survival only must not be 0.
    before = np.where(at_risk > 0, before, 1.0)
    had_before = np.vstack([np.zeros(n_groups), had[:-1]])
    return _Tables(times, at_risk, own, other, before, free, had_before)


def _variance(at: _Tables) -> np.ndarray:
    """Gray's variance of the scores, from the martingales of both kinds of event of each group.

    Under no difference all groups share one incidence F, estimated from all. An event moves the
    score by its own term and, through the survival of its group, by all that comes after.
    """
    d1 = at.own.sum(axis=1, keepdims=True)
    would = _share(at.at_risk, at.free_before)
    whole = would.sum(axis=1, keepdims=True)
    had = np.cumsum(_share(d1, whole), axis=0)
    had_before = np.vstack([[0.0], had[:-1]])
    # a[t, i, k]: weight of group i's score on an event in group k at time t.
    n_groups = at.at_risk.shape[1]
    a = would[:, :, None] * (np.eye(n_groups) - _share(would, whole)[:, None, :])
    running = np.cumsum(a * _share(d1, whole * (1 - had_before))[:, :, None], axis=0)
    still = running[-1] - running
    free = (1 - had) / np.where(at.free_after > 0, at.free_after, np.inf)
    gone = np.where(at.free_after > 0, 1 - free, 1.0)
    fewer = _share(d1 - 1, whole * at.free_before - 1)
    tied = np.where(d1 > 1, 1 - fewer, 1.0)
    by_own = tied * at.free_before * _share(d1, whole * at.at_risk)
    fewer = _share(at.other - 1, at.at_risk - 1)
    tied = np.where(at.other > 1, 1 - fewer, 1.0)
    by_other = tied * at.free_before**2 * _share(at.other, at.at_risk**2)
    first, second = a + gone[:, None, :] * still, free[:, None, :] * still
    return np.einsum("tik,tjk,tk->ij", first, first, by_own) + np.einsum(
        "tik,tjk,tk->ij", second, second, by_other
    )


def _residuals(
    spells: Spells, wanted: Spells, codes: np.ndarray, n_groups: int, *, cause: int
) -> np.ndarray:
    """Return the score residual of every row for every group; (n, k)."""
    sets = find_risk_sets(wanted)
    layers = [_stay_late(spells, sets, (codes == g), cause=cause) for g in range(n_groups)]
    ones = np.ones(len(codes))
    at_risk = np.stack(
        [layer.sum_over_rows(ones * (codes == g)) for g, layer in enumerate(layers)], axis=1
    )
    d = np.bincount(sets.closed[sets.is_event] - 1, minlength=len(sets.times))
    share = at_risk / at_risk.sum(axis=1, keepdims=True)
    hazard = d / at_risk.sum(axis=1)
    residuals = np.zeros((len(codes), n_groups))
    for g, layer in enumerate(layers):
        mine = codes == g
        for i in range(n_groups):
            weight = float(i == g) - share[:, i]
            moved = layer.at_own_event(weight) - layer.sum_along_time(weight * hazard)
            residuals[mine, i] = moved[mine]
    return residuals


def _stay_late(spells: Spells, sets: RiskSets, mine: np.ndarray, *, cause: int) -> RiskSets:
    """Let rows of one group stay after another cause, for as long as the group is followed."""
    own = Spells(spells.time[mine], spells.event[mine], None, None, None)
    times, before = uncensored_before(own)
    late = mine & (spells.event > 0) & (spells.event != cause)
    weight = np.zeros(len(mine))
    weight[late] = 1 / before[np.searchsorted(times, spells.time[late])]
    scale = np.append(before, 0.0)[np.searchsorted(times, sets.times)]
    return replace(sets, late=LateStay(weight, scale))
