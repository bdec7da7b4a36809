"""Mean time free of the event up to a horizon, naive and cluster-robust."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from analytics.errors import NotEstimableError
from analytics.stats.at_risk import count_at_risk
from analytics.stats.spells import Spells, critical_value, has_few_clusters
from analytics.stats.survival import hazard_slope, product_limit


@dataclass(frozen=True, slots=True)
class RestrictedMean:
    """Area under a survival curve up to ``horizon``, in the unit of time given.

    ``se`` sums influence within clusters (or rows, when weighted); ``se_naive`` takes all rows
    as independent; the two are one without clusters and weights.
    """

    horizon: float
    estimate: float
    se: float
    se_naive: float
    lower: float
    upper: float
    n: int
    n_events: int
    n_clusters: int
    conf_level: float
    notes: tuple[str, ...]


def restricted_mean(spells: Spells, horizon: float, *, conf_level: float = 0.95) -> RestrictedMean:
    """Integrate the survival curve from the origin to a horizon.

    Variance of Irwin (1949), ``sum of tail(u)^2 d / (Y (Y - d))`` where ``tail(u)`` is the area
    from u to the horizon; with clusters the same influence is summed within them. R's
    ``summary(survfit(..., cluster=), rmean=)`` prints the naive error even when clusters are
    given. Limits on the scale of the mean, kept within 0 and the horizon.

    Parameters
    ----------
    spells
        Checked rows with event codes 0 and 1.
    horizon
        Time up to which the area is taken; not beyond the last time observed, unless the curve
        had reached 0.
    conf_level
        Level of the limits.

    Returns
    -------
    RestrictedMean
        The area with its errors.

    Raises
    ------
    NotEstimableError
        ``horizon_not_positive`` or ``horizon_beyond_follow_up``.
    """
    curve = product_limit(spells, conf_level=conf_level)
    _check_horizon(horizon, float(curve.times[-1]), reached_zero=curve.estimate[-1] <= 0)
    area, tail = _areas(curve.times, curve.estimate, horizon)
    naive, robust = _errors(spells, tail)
    half = critical_value(conf_level, spells) * robust
    return RestrictedMean(
        horizon=horizon,
        estimate=area,
        se=robust,
        se_naive=naive,
        lower=max(0.0, area - half),
        upper=min(horizon, area + half),
        n=curve.n,
        n_events=curve.n_events,
        n_clusters=curve.n_clusters,
        conf_level=conf_level,
        notes=("few_clusters",) if has_few_clusters(spells) else (),
    )


def _check_horizon(horizon: float, last: float, *, reached_zero: bool) -> None:
    if not horizon > 0:
        raise NotEstimableError("horizon_not_positive", horizon=horizon)
    if horizon > last and not reached_zero:
        raise NotEstimableError("horizon_beyond_follow_up", horizon=horizon, last_observed=last)


def _areas(times: np.ndarray, estimate: np.ndarray, horizon: float) -> tuple[float, np.ndarray]:
    bounds = np.minimum(np.concatenate([[0.0], times, [horizon]]), horizon)
    strips = np.diff(bounds) * np.append(1.0, estimate)
    after = np.cumsum(strips[::-1])[::-1]
    return float(after[0]), after[1:]


def _errors(spells: Spells, tail: np.ndarray) -> tuple[float, float]:
    counts = count_at_risk(spells)
    slope = hazard_slope(counts)
    naive = float(np.sqrt(np.sum(tail**2 * slope)))
    if spells.cluster is None and spells.weights is None:
        return naive, naive
    grown = np.append(0.0, np.cumsum(tail * slope))
    d = counts.ended[:, 1]
    # d / (Y (Y - d)) * Y / d is the 1 / (Y - d) of the row's own event, already 0 at a zero curve.
    own = np.divide(slope * counts.at_risk, d, out=np.zeros_like(d), where=d > 0) * tail
    influence = grown[counts.position + 1] - spells.event * own[counts.position]
    if counts.opened is not None:
        influence -= grown[counts.opened]
    if spells.weights is not None:
        influence *= spells.weights
    return naive, float(np.sqrt(np.sum(np.bincount(spells.units, weights=influence) ** 2)))
