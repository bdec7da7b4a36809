"""Bootstrap and jackknife of whole clusters, for any function of the rows."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from analytics.errors import NotEstimableError
from analytics.stats.spells import as_clusters

Statistic = Callable[[np.ndarray], ArrayLike]

# Percentile limits from fewer replicates would hang on a handful of them (common practice).
FEWEST_REPLICATES = 20


@dataclass(frozen=True, slots=True, eq=False)
class Resampled:
    """A statistic with the spread that resampling whole clusters gives it.

    Parameters
    ----------
    estimate
        (q,) the statistic on the rows as they are.
    se
        (q,) standard error.
    lower, upper
        (q,) limits: percentiles for a bootstrap; NaN for a jackknife.
    replicates
        (B, q) the statistic on each resample that could be estimated.
    n_clusters, n_failed
        Clusters; resamples in which the statistic was not estimable, which are left out.
    """

    estimate: np.ndarray
    se: np.ndarray
    lower: np.ndarray
    upper: np.ndarray
    replicates: np.ndarray
    n_clusters: int
    n_failed: int


@dataclass(frozen=True, slots=True)
class BootstrapPlan:
    """How often to resample, and the level of the percentile limits."""

    n_resamples: int = 1000
    conf_level: float = 0.95


def bootstrap_rows(
    statistic: Statistic,
    cluster: ArrayLike,
    *,
    rng: np.random.Generator,
    plan: BootstrapPlan | None = None,
) -> Resampled:
    """Draw clusters with replacement and give the statistic the rows drawn.

    Efron and Tibshirani (1993) ch. 13 (percentile limits), on clusters: Davison and Hinkley
    (1997) ch. 3.8.

    Parameters
    ----------
    statistic
        Takes (m,) row numbers, a row as often as its cluster was drawn; returns one number or
        (q,) of them.
    cluster
        (n,) labels.
    rng
        Source of randomness.
    plan
        Number of resamples and level; the defaults of :class:`BootstrapPlan`.

    Returns
    -------
    Resampled
        Estimate, standard error and percentile limits.

    Raises
    ------
    NotEstimableError
        ``too_few_replicates`` when the statistic was estimable in too few resamples.
    """
    codes = _codes(cluster)
    order = np.argsort(codes, kind="stable")

    def on_times_drawn(times: np.ndarray) -> ArrayLike:
        return statistic(np.repeat(order, times[codes[order]]))

    return _bootstrap(on_times_drawn, codes, rng, plan or BootstrapPlan())


def bootstrap_weights(
    statistic: Statistic,
    cluster: ArrayLike,
    *,
    rng: np.random.Generator,
    plan: BootstrapPlan | None = None,
) -> Resampled:
    """Draw clusters with replacement and give the statistic how often each row was drawn.

    Parameters
    ----------
    statistic
        Takes (n,) whole-number weights, 0 for rows not drawn; returns one number or (q,).
    cluster, rng, plan
        As in :func:`bootstrap_rows`.

    Returns
    -------
    Resampled
        As from :func:`bootstrap_rows`.
    """
    codes = _codes(cluster)
    return _bootstrap(lambda times: statistic(times[codes]), codes, rng, plan or BootstrapPlan())


def jackknife_rows(statistic: Statistic, cluster: ArrayLike) -> Resampled:
    """Leave out one cluster at a time.

    Efron and Tibshirani (1993) eq. 11.5: ``(m - 1) / m`` times the sum of squared deviations
    from the mean of the replicates.

    Parameters
    ----------
    statistic
        Takes (m,) row numbers; returns one number or (q,) of them.
    cluster
        (n,) labels.

    Returns
    -------
    Resampled
        Estimate and standard error.

    Raises
    ------
    NotEstimableError
        Whatever the statistic raises without one of the clusters: a jackknife needs them all.
    """
    codes = _codes(cluster)
    order = np.argsort(codes, kind="stable")
    edges = np.append(0, np.cumsum(np.bincount(codes)))
    estimate = _as_row(statistic(np.arange(len(codes))))
    replicates = np.stack(
        [
            _as_row(statistic(np.sort(np.delete(order, slice(start, stop)))))
            for start, stop in zip(edges[:-1], edges[1:], strict=True)
        ]
    )
    m = len(replicates)
    away = replicates - replicates.mean(axis=0)
    unknown = np.full(len(estimate), np.nan)
    return Resampled(
        estimate=estimate,
        se=np.sqrt((m - 1) / m * np.sum(away**2, axis=0)),
        lower=unknown,
        upper=unknown,
        replicates=replicates,
        n_clusters=m,
        n_failed=0,
    )


def _bootstrap(
    statistic: Statistic, codes: np.ndarray, rng: np.random.Generator, plan: BootstrapPlan
) -> Resampled:
    n_clusters = int(codes.max()) + 1
    once = np.ones(n_clusters, dtype=np.int64)
    estimate = _as_row(statistic(once))
    kept = []
    for _ in range(plan.n_resamples):
        drawn = rng.integers(0, n_clusters, n_clusters)
        try:
            kept.append(_as_row(statistic(np.bincount(drawn, minlength=n_clusters))))
        except NotEstimableError:
            continue
    n_failed = plan.n_resamples - len(kept)
    if len(kept) < FEWEST_REPLICATES:
        raise NotEstimableError("too_few_replicates", n_kept=len(kept), n_failed=n_failed)
    replicates = np.stack(kept)
    tail = (1 - plan.conf_level) / 2
    lower, upper = np.quantile(replicates, [tail, 1 - tail], axis=0)
    return Resampled(
        estimate=estimate,
        se=replicates.std(axis=0, ddof=1),
        lower=lower,
        upper=upper,
        replicates=replicates,
        n_clusters=n_clusters,
        n_failed=n_failed,
    )


def _codes(cluster: ArrayLike) -> np.ndarray:
    return as_clusters(cluster, n=len(np.asarray(cluster)))


def _as_row(value: ArrayLike) -> np.ndarray:
    return np.atleast_1d(np.asarray(value, dtype=float))
