"""Log-rank comparison of groups: any number of them, stratified, cluster-robust."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from analytics.errors import NotEstimableError
from analytics.stats.chi_square import ChiSquare, quadratic_form
from analytics.stats.risk_sets import RiskSets, find_risk_sets
from analytics.stats.spells import (
    Spells,
    as_clusters,
    as_strata,
    require_events,
    require_single_cause,
)


@dataclass(frozen=True, slots=True, eq=False)
class LogRank:
    """Observed against expected events per group.

    Parameters
    ----------
    labels
        (k,) labels of the groups, sorted.
    observed, expected
        (k,) events, weighted by S(t-)**rho when ``rho`` is not 0.
    test
        Of no difference; cluster-robust when the rows were clustered.
    test_naive
        The same with all rows taken as independent (hypergeometric variance).
    n, n_events, n_clusters
        Rows, events, clusters.
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
    # One line per stratum and time of an event; one column per group.
    at_risk: np.ndarray
    events: np.ndarray
    sets: RiskSets


def log_rank(
    spells: Spells, group: ArrayLike, *, strata: ArrayLike | None = None, rho: float = 0.0
) -> LogRank:
    """Compare the hazards of groups.

    Mantel (1966) with the hypergeometric variance; weights S(t-)**rho of Harrington and Fleming
    (1982) Biometrika 69:553, as R's ``survdiff``. With clusters, the variance is the sum over
    clusters of squared score residuals at no difference (Lin and Wei 1989, J Am Stat Assoc
    84:1074), as the robust score test of R's ``coxph(ties = "breslow", cluster =)``.

    Parameters
    ----------
    spells
        Checked, unweighted rows with event codes 0 and 1; entry times are respected.
    group
        (n,) labels of at least two groups.
    strata
        (n,) labels within which the groups are compared.
    rho
        0 for the log-rank test; 1 gives more weight to early times.

    Returns
    -------
    LogRank
        Counts and tests.

    Raises
    ------
    NotEstimableError
        ``one_group``, ``no_events``, ``no_contrast`` (no time with two groups at risk),
        ``weights_not_supported``.
    """
    _check(spells)
    codes, labels = _coded(group, len(spells.time))
    sets = find_risk_sets(spells, None if strata is None else as_strata(strata, n=len(codes)))
    tables = _tabulate(sets, codes, n_groups=len(labels))
    weight = _weights(tables, rho)
    total, d = tables.at_risk.sum(axis=1), tables.events.sum(axis=1)
    observed = weight @ tables.events
    expected = (weight * d / total) @ tables.at_risk
    score = observed - expected
    naive = quadratic_form(score, _hypergeometric(tables, weight))
    robust = naive
    if spells.cluster is not None:
        residuals = _score_residuals(codes, tables, weight)
        sums = np.stack([np.bincount(spells.units, weights=c) for c in residuals.T], axis=1)
        robust = quadratic_form(score, sums.T @ sums)
    return LogRank(
        labels=labels,
        observed=observed,
        expected=expected,
        test=robust,
        test_naive=naive,
        n=len(codes),
        n_events=int(d.sum()),
        n_clusters=spells.n_clusters,
    )


def _check(spells: Spells) -> None:
    require_single_cause(spells)
    if spells.weights is not None:
        raise NotEstimableError("weights_not_supported", n_rows=len(spells.time))
    require_events(spells)


def _coded(group: ArrayLike, n: int) -> tuple[np.ndarray, np.ndarray]:
    labels = np.unique(np.asarray(group))
    if len(labels) < 2:
        raise NotEstimableError("one_group", n_groups=len(labels), n_rows=n)
    return as_clusters(group, n=n), labels


def _tabulate(sets: RiskSets, codes: np.ndarray, *, n_groups: int) -> _Tables:
    own = sets.closed[sets.is_event] - 1
    group = codes[sets.is_event]
    at_risk = [sets.sum_over_rows((codes == g).astype(float)) for g in range(n_groups)]
    events = [np.bincount(own[group == g], minlength=len(sets.times)) for g in range(n_groups)]
    return _Tables(np.stack(at_risk, axis=1), np.stack(events, axis=1).astype(float), sets)


def _weights(tables: _Tables, rho: float) -> np.ndarray:
    if rho == 0:
        return np.ones(len(tables.sets.stratum))
    kept = 1 - tables.events.sum(axis=1) / tables.at_risk.sum(axis=1)
    weight = np.ones(len(kept))
    for layer in np.unique(tables.sets.stratum):
        mine = np.flatnonzero(tables.sets.stratum == layer)
        weight[mine[1:]] = np.cumprod(kept[mine])[:-1] ** rho
    return weight


def _hypergeometric(tables: _Tables, weight: np.ndarray) -> np.ndarray:
    total, d = tables.at_risk.sum(axis=1), tables.events.sum(axis=1)
    share = tables.at_risk / total[:, None]
    spread = weight**2 * d * (total - d) / np.maximum(total - 1, 1)
    return np.diag(spread @ share) - (share * spread[:, None]).T @ share


def _score_residuals(codes: np.ndarray, tables: _Tables, weight: np.ndarray) -> np.ndarray:
    # Row's residual: integral of weight (own group - share at risk) d(event - expected event).
    sets = tables.sets
    total, d = tables.at_risk.sum(axis=1), tables.events.sum(axis=1)
    share = tables.at_risk / total[:, None]
    hazard = weight * d / total
    columns = [
        sets.sum_along_time(hazard * column) - sets.at_own_event(weight * column)
        for column in share.T
    ]
    residuals = np.stack(columns, axis=1)
    own = sets.at_own_event(weight) - sets.sum_along_time(hazard)
    residuals[np.arange(len(codes)), codes] += own
    return residuals
