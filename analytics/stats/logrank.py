"""Log-rank comparison of groups: any number of them, stratified, cluster-robust."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy import stats as distributions

from analytics.errors import NotEstimableError
from analytics.stats.spells import Spells, as_clusters, require_single_cause


@dataclass(frozen=True, slots=True, eq=False)
class LogRank:
    """Observed against expected events per group.

    Parameters
    ----------
    labels
        (k,) labels of the groups, sorted.
    observed, expected
        (k,) events, weighted by S(t-)**rho when ``rho`` is not 0.
    statistic, degrees_of_freedom, p
        Chi-square test; cluster-robust when the rows were clustered.
    statistic_naive, p_naive
        The same with all rows taken as independent (hypergeometric variance).
    n, n_events, n_clusters
        Rows, events, clusters.
    """

    labels: np.ndarray
    observed: np.ndarray
    expected: np.ndarray
    statistic: float
    degrees_of_freedom: int
    p: float
    statistic_naive: float
    p_naive: float
    n: int
    n_events: int
    n_clusters: int


@dataclass(frozen=True, slots=True, eq=False)
class _Tables:
    # One line per stratum and time of an event; one column per group.
    at_risk: np.ndarray
    events: np.ndarray
    stratum: np.ndarray
    opened: np.ndarray
    closed: np.ndarray
    own: np.ndarray


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
    layers = np.zeros(len(codes), dtype=np.int64)
    if strata is not None:
        layers = as_clusters(strata, n=len(codes)) if len(set(np.asarray(strata))) > 1 else layers
    tables = _tabulate(spells, codes, layers, n_groups=len(labels))
    weight = _weights(tables, rho)
    total, d = tables.at_risk.sum(axis=1), tables.events.sum(axis=1)
    observed = weight @ tables.events
    expected = (weight * d / total) @ tables.at_risk
    score = observed - expected
    naive, df = _chi_square(score, _hypergeometric(tables, weight))
    robust = naive
    if spells.cluster is not None:
        residuals = _score_residuals(spells, codes, tables, weight)
        sums = np.stack([np.bincount(spells.units, weights=c) for c in residuals.T], axis=1)
        robust, df = _chi_square(score, sums.T @ sums)
    return LogRank(
        labels=labels,
        observed=observed,
        expected=expected,
        statistic=robust,
        degrees_of_freedom=df,
        p=float(distributions.chi2.sf(robust, df)),
        statistic_naive=naive,
        p_naive=float(distributions.chi2.sf(naive, df)),
        n=len(codes),
        n_events=int(d.sum()),
        n_clusters=spells.n_clusters,
    )


def _check(spells: Spells) -> None:
    require_single_cause(spells)
    if spells.weights is not None:
        raise NotEstimableError("weights_not_supported", n_rows=len(spells.time))
    if not spells.event.any():
        raise NotEstimableError("no_events", n_rows=len(spells.time))


def _coded(group: ArrayLike, n: int) -> tuple[np.ndarray, np.ndarray]:
    labels = np.unique(np.asarray(group))
    if len(labels) < 2:
        raise NotEstimableError("one_group", n_groups=len(labels), n_rows=n)
    return as_clusters(group, n=n), labels


def _tabulate(spells: Spells, codes: np.ndarray, layers: np.ndarray, *, n_groups: int) -> _Tables:
    # Ranks of all distinct ends let (stratum, time) become one sorted whole number.
    ends, rank = np.unique(spells.time, return_inverse=True)
    width = len(ends) + 1
    is_event = spells.event == 1
    points = np.unique((layers * width + rank)[is_event])
    closed = np.searchsorted(points, layers * width + rank, side="right")
    opened = np.searchsorted(points, layers * width, side="left")
    if spells.entry is not None:
        started = layers * width + np.searchsorted(ends, spells.entry, side="right")
        opened = np.searchsorted(points, started, side="left")
    own = closed - 1
    at_risk, events = (np.zeros((len(points), n_groups)) for _ in range(2))
    for g in range(n_groups):
        mine = codes == g
        gone = np.bincount(closed[mine], minlength=len(points) + 1)
        come = np.bincount(opened[mine], minlength=len(points) + 1)
        at_risk[:, g] = np.cumsum(come - gone)[:-1]
        events[:, g] = np.bincount(own[mine & is_event], minlength=len(points))
    return _Tables(at_risk, events, points // width, opened, closed, own)


def _weights(tables: _Tables, rho: float) -> np.ndarray:
    if rho == 0:
        return np.ones(len(tables.stratum))
    kept = 1 - tables.events.sum(axis=1) / tables.at_risk.sum(axis=1)
    weight = np.ones(len(kept))
    for layer in np.unique(tables.stratum):
        mine = np.flatnonzero(tables.stratum == layer)
        weight[mine[1:]] = np.cumprod(kept[mine])[:-1] ** rho
    return weight


def _hypergeometric(tables: _Tables, weight: np.ndarray) -> np.ndarray:
    total, d = tables.at_risk.sum(axis=1), tables.events.sum(axis=1)
    share = tables.at_risk / total[:, None]
    spread = weight**2 * d * (total - d) / np.maximum(total - 1, 1)
    return np.diag(spread @ share) - (share * spread[:, None]).T @ share


def _score_residuals(
    spells: Spells, codes: np.ndarray, tables: _Tables, weight: np.ndarray
) -> np.ndarray:
    # Row's residual: integral of weight (own group - share at risk) d(event - expected event).
    total, d = tables.at_risk.sum(axis=1), tables.events.sum(axis=1)
    share = tables.at_risk / total[:, None]
    hazard = weight * d / total
    one = np.append(0.0, np.cumsum(hazard))
    mean = np.vstack([np.zeros(share.shape[1]), np.cumsum(hazard[:, None] * share, axis=0)])
    is_event = spells.event == 1
    jump = np.where(is_event, weight[tables.own], 0.0)
    residuals = mean[tables.closed] - mean[tables.opened] - jump[:, None] * share[tables.own]
    rows = np.arange(len(codes))
    residuals[rows, codes] += jump - (one[tables.closed] - one[tables.opened])
    return residuals


def _chi_square(score: np.ndarray, variance: np.ndarray) -> tuple[float, int]:
    # The scores of all groups add up to 0: groups that contribute nothing lower the rank.
    values, vectors = np.linalg.eigh(variance)
    kept = values > 1e-10 * max(float(values.max()), 0.0)
    if not kept.any() or values.max() <= 0:
        raise NotEstimableError("no_contrast", n_groups=len(score))
    along = vectors[:, kept].T @ score
    return float(np.sum(along**2 / values[kept])), int(kept.sum())
