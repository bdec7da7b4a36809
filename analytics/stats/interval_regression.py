"""Regression of a time known only to lie in an interval, with cluster-robust errors."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike

from analytics.errors import NotEstimableError
from analytics.stats.chi_square import ChiSquare, chi_square
from analytics.stats.interval import checked_intervals
from analytics.stats.lifetime_families import LifetimeFamily
from analytics.stats.newton import Problem, maximise
from analytics.stats.spells import FEW_CLUSTERS, as_clusters, as_design

SMALLEST_LIKELIHOOD = 1e-300


@dataclass(frozen=True, slots=True, eq=False)
class IntervalRegression:
    """An accelerated failure time model: ``log(time) = intercept + covariates + scale * z``.

    Parameters
    ----------
    family
        Name of the distribution of time.
    names
        ``intercept``, the covariates, and ``log_scale`` where the scale is estimated.
    coefficients, se, se_naive
        In the order of ``names``; the exponential of a covariate's is a ratio of times. ``se``
        is cluster-robust when clusters were given.
    covariance, covariance_naive
        Square, in the order of ``names``.
    scale
        1 over the shape of a Weibull or log-logistic distribution.
    log_likelihood, likelihood_ratio
        Maximum, and test against no covariates (rows taken as independent).
    n, n_exact, n_interval, n_right, n_clusters
        Rows, by what is known of them, and clusters.
    notes
        Stable codes: ``few_clusters``.
    """

    family: str
    names: tuple[str, ...]
    coefficients: np.ndarray
    se: np.ndarray
    se_naive: np.ndarray
    covariance: np.ndarray
    covariance_naive: np.ndarray
    scale: float
    log_likelihood: float
    likelihood_ratio: ChiSquare
    n: int
    n_exact: int
    n_interval: int
    n_right: int
    n_clusters: int
    notes: tuple[str, ...]


@dataclass(frozen=True, slots=True, eq=False)
class _Rows:
    # Logarithms of the ends, 0 where an end is open (see has_low, has_high).
    low: np.ndarray
    high: np.ndarray
    has_low: np.ndarray
    has_high: np.ndarray
    exact: np.ndarray


@dataclass(frozen=True, slots=True, eq=False)
class _Model:
    rows: _Rows
    design: np.ndarray
    family: LifetimeFamily


@dataclass(frozen=True, slots=True, eq=False)
class _Point:
    # Value, gradient, gradient by row, and second derivatives by row: by the predictor twice,
    # by predictor and log scale, by log scale twice.
    log_likelihood: float
    score: np.ndarray
    by_row: np.ndarray
    second: tuple[np.ndarray, np.ndarray, np.ndarray]


def interval_regression(
    left: ArrayLike,
    right: ArrayLike,
    covariates: pd.DataFrame | ArrayLike,
    *,
    family: LifetimeFamily,
    cluster: ArrayLike | None = None,
) -> IntervalRegression:
    """Fit a parametric model to intervals (left, right] that hold the event.

    Odell, Anderson and D'Agostino (1992) Biometrics 48:951, by Newton's method with analytic
    derivatives; the sandwich sums scores within clusters without a finite-sample factor, as R's
    ``survreg(..., cluster =)``.

    Parameters
    ----------
    left, right
        (n,) as in :func:`analytics.stats.interval.turnbull`.
    covariates
        (n, p) numbers.
    family
        A constant of :mod:`analytics.stats.lifetime_families`.
    cluster
        (n,) labels of rows that are not independent.

    Returns
    -------
    IntervalRegression
        Coefficients on the log scale of time.

    Raises
    ------
    NotEstimableError
        ``no_events`` when every interval is open to the right, ``time_not_positive``,
        ``constant_covariate``, ``separation``, ``not_converged``, and those of ``turnbull``.
    """
    rows = _as_rows(left, right)
    values, names = as_design(covariates, n=len(rows.exact))
    units = None if cluster is None else as_clusters(cluster, n=len(rows.exact))
    for name, column in zip(names, values.T, strict=True):
        if column.min() == column.max():
            raise NotEstimableError("constant_covariate", covariate=name, n_rows=len(column))
    centre, spread = values.mean(axis=0), values.std(axis=0)
    ones = np.ones((len(values), 1))
    model = _Model(rows, np.hstack([ones, (values - centre) / spread]), family)
    found, point = _fit(model, names)
    _, null = _fit(_Model(rows, ones, family), ())
    naive = np.linalg.inv(_information(model, point))
    robust = naive
    if units is not None:
        sums = np.stack([np.bincount(units, weights=c) for c in point.by_row.T], axis=1)
        robust = naive @ (sums.T @ sums) @ naive
    back = _to_raw_scale(centre, spread, has_scale=family.has_scale)
    return _described(
        model,
        names,
        (back @ found, back @ robust @ back.T, back @ naive @ back.T),
        gain=(point.log_likelihood, null.log_likelihood),
        n_clusters=None if units is None else int(units.max()) + 1,
    )


def _described(
    model: _Model,
    names: tuple[str, ...],
    estimates: tuple[np.ndarray, np.ndarray, np.ndarray],
    *,
    gain: tuple[float, float],
    n_clusters: int | None,
) -> IntervalRegression:
    coefficients, covariance, naive = estimates
    rows, has_scale = model.rows, model.family.has_scale
    few = n_clusters is not None and n_clusters < FEW_CLUSTERS
    return IntervalRegression(
        family=model.family.name,
        names=("intercept", *names, *(("log_scale",) if has_scale else ())),
        coefficients=coefficients,
        se=np.sqrt(np.diag(covariance)),
        se_naive=np.sqrt(np.diag(naive)),
        covariance=covariance,
        covariance_naive=naive,
        scale=float(np.exp(coefficients[-1])) if has_scale else 1.0,
        log_likelihood=gain[0],
        likelihood_ratio=chi_square(2 * (gain[0] - gain[1]), len(names)),
        n=len(rows.exact),
        n_exact=int(rows.exact.sum()),
        n_interval=int((rows.has_high & ~rows.exact).sum()),
        n_right=int((~rows.has_high).sum()),
        n_clusters=len(rows.exact) if n_clusters is None else n_clusters,
        notes=("few_clusters",) if few else (),
    )


def _as_rows(left: ArrayLike, right: ArrayLike) -> _Rows:
    low, high, _ = checked_intervals(left, right, None)
    if np.isinf(high).all():
        raise NotEstimableError("no_events", n_rows=len(low), n_events=0)
    if (high <= 0).any():
        raise NotEstimableError("time_not_positive", n_rows=int((high <= 0).sum()))
    exact, has_high = low == high, np.isfinite(high)
    has_low = (low > 0) & ~exact
    return _Rows(
        low=np.log(np.where(has_low, low, 1.0)),
        high=np.log(np.where(has_high, high, 1.0)),
        has_low=has_low,
        has_high=has_high,
        exact=exact,
    )


def _fit(model: _Model, names: tuple[str, ...]) -> tuple[np.ndarray, _Point]:
    rows = model.rows
    # Start at the mean of the middles, with a scale of 1.
    middle = np.where(rows.has_low, rows.low, rows.high)
    start = np.zeros(model.design.shape[1] + model.family.has_scale)
    start[0] = middle.mean()
    counts = {"n_rows": len(middle), "n_events": int(rows.has_high.sum())}
    problem = Problem(
        lambda at: _evaluate(model, at),
        lambda point: _information(model, point),
        ("intercept", *names, "log_scale"),
        counts,
    )
    return maximise(problem, start)


def _evaluate(model: _Model, at: np.ndarray) -> _Point:
    rows, family = model.rows, model.family
    width = model.design.shape[1]
    scale = float(np.exp(at[-1])) if family.has_scale else 1.0
    predictor = model.design @ at[:width]
    za = np.where(rows.has_low, (rows.low - predictor) / scale, 0.0)
    zb = np.where(rows.has_high, (rows.high - predictor) / scale, 0.0)
    likely = np.where(rows.has_low, family.survival(za), 1.0)
    likely = likely - np.where(rows.has_high, family.survival(zb), 0.0)
    likely = np.where(rows.exact, 1.0, likely)
    if not likely.min() > SMALLEST_LIKELIHOOD:
        empty = np.zeros(len(za))
        return _Point(-np.inf, np.zeros(len(at)), empty[:, None], (empty, empty, empty))
    value = np.log(likely).sum()
    value += (family.log_density(zb) - np.log(scale) - rows.high)[rows.exact].sum()
    first, second = _by_ends(rows, family, (za, zb), likely)
    by_predictor = -(first[0] + first[1]) / scale
    by_log_scale = -(first[0] * za + first[1] * zb) - rows.exact
    by_row = np.column_stack([model.design * by_predictor[:, None], by_log_scale])
    by_row = by_row[:, : len(at)]
    curved = _by_parameters(first, second, (za, zb), scale)
    return _Point(float(value), by_row.sum(axis=0), by_row, curved)


def _by_ends(
    rows: _Rows, family: LifetimeFamily, z: tuple[np.ndarray, np.ndarray], likely: np.ndarray
) -> tuple[tuple[np.ndarray, np.ndarray], tuple[np.ndarray, np.ndarray, np.ndarray]]:
    # Derivatives of a row's log-likelihood by the two standardised ends: first, then second
    # (low twice, low and high, high twice). An exact time has a high end alone.
    za, zb = z
    closed = rows.has_high & ~rows.exact
    a = np.where(rows.has_low, -family.density(za) / likely, 0.0)
    b = np.where(closed, family.density(zb) / likely, 0.0)
    aa = np.where(rows.has_low, -family.bend(za) / likely, 0.0) - a**2
    bb = np.where(closed, family.bend(zb) / likely, 0.0) - b**2
    ab = -a * b
    b = np.where(rows.exact, family.lean(zb), b)
    bb = np.where(rows.exact, family.curl(zb), bb)
    return (a, b), (aa, ab, bb)


def _by_parameters(
    first: tuple[np.ndarray, np.ndarray],
    second: tuple[np.ndarray, np.ndarray, np.ndarray],
    z: tuple[np.ndarray, np.ndarray],
    scale: float,
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    (a, b), (aa, ab, bb), (za, zb) = first, second, z
    twice = (aa + 2 * ab + bb) / scale**2
    mixed = (aa * za + ab * (za + zb) + bb * zb + a + b) / scale
    of_scale = aa * za**2 + 2 * ab * za * zb + bb * zb**2 + a * za + b * zb
    return twice, mixed, of_scale


def _information(model: _Model, point: _Point) -> np.ndarray:
    twice, mixed, of_scale = point.second
    inner = model.design.T @ (model.design * twice[:, None])
    if not model.family.has_scale:
        return -inner
    side = (model.design.T @ mixed)[:, None]
    return -np.block([[inner, side], [side.T, np.array([[of_scale.sum()]])]])


def _to_raw_scale(centre: np.ndarray, spread: np.ndarray, *, has_scale: bool) -> np.ndarray:
    p = len(centre)
    back = np.eye(1 + p + has_scale)
    back[range(1, p + 1), range(1, p + 1)] = 1 / spread
    back[0, 1 : p + 1] = -centre / spread
    return back
