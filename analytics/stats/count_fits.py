"""Fit count families to one design by maximum likelihood."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike, NDArray

from analytics.errors import NotEstimableError
from analytics.stats.count_families import BY_NAME, FAMILIES, CountFamily
from analytics.stats.links import LOG_LINEAR
from analytics.stats.marginal import prepare, solve
from analytics.stats.marginal_block import Problem
from analytics.stats.proportions import Floats

MAX_STEPS = 100
NEAR_LIMIT = -8.0  # log of an extra parameter so small that the limiting family is reached
MAX_LEVELS = 40


@dataclass(frozen=True)
class CountFit:
    """One family on one design.

    ``coefficients`` has one element per design column (NaN for the constant of a family that
    has thresholds instead), ``extra`` the dispersion or threshold parameters on the scale of
    `likelihoods`. ``covariance`` (from the information) and ``robust_covariance`` (clustered)
    cover the columns ``used``, then the extra ones. ``status`` is fitted, boundary or failed;
    a boundary fit holds the limiting family's numbers. ``fallback`` names the family whose
    interval to show instead; empty when fitted. ``dispersion`` is Pearson's against the
    family's own variance: near 1 when the variance is right.
    """

    family: CountFamily
    status: str
    reason: str
    fallback: str
    coefficients: Floats
    extra: Floats
    covariance: Floats
    robust_covariance: Floats
    used: NDArray[np.bool_]
    levels: Floats
    log_likelihood: float
    aic: float
    dispersion: float
    n: int
    n_clusters: int

    @property
    def fitted_family(self) -> CountFamily:
        """The family whose likelihood was used: the limiting one at a boundary."""
        return BY_NAME[self.family.limit] if self.status == "boundary" else self.family


@dataclass(frozen=True)
class _Search:
    """Counts (as level positions where the family has levels) on columns of unit size."""

    family: CountFamily
    y: Floats
    design: Floats

    def pieces(self, theta: Floats) -> tuple[Floats, Floats]:
        """Log-density by row and its gradient by row and parameter."""
        p = self.design.shape[1]
        with np.errstate(over="ignore", invalid="ignore", divide="ignore"):
            density, by_eta, by_extra = self.family.density(
                self.y, self.design @ theta[:p], theta[p:]
            )
        return density, np.hstack([self.design * by_eta[:, None], by_extra])

    def value(self, theta: Floats) -> float:
        total = float(self.pieces(theta)[0].sum())
        return total if np.isfinite(total) else -np.inf

    def gradient(self, theta: Floats) -> Floats:
        return self.pieces(theta)[1].sum(axis=0)

    def curvature(self, theta: Floats) -> Floats:
        """Minus the second derivatives, by central differences of the exact gradient."""
        step = 1e-5 * (1 + np.abs(theta))
        moves = np.diag(step)
        rows = [self.gradient(theta + move) - self.gradient(theta - move) for move in moves]
        second = np.stack(rows) / (2 * step[:, None])
        return -(second + second.T) / 2


def fit_family(
    count: ArrayLike, design: ArrayLike, *, family: CountFamily, cluster: ArrayLike | None = None
) -> CountFit:
    """Fit one family by maximum likelihood (Newton's method on exact gradients).

    Parameters
    ----------
    count
        One whole number per row, at least ``family.lowest``.
    design
        Rows by columns, the constant included.
    family
        A constant of `analytics.stats.count_families`.
    cluster
        Label per row, for the robust covariance alone.

    Returns
    -------
    CountFit
        With status ``boundary`` when a dispersion parameter has no solution inside, as the
        negative binomial on counts that vary less than Poisson ones.

    Raises
    ------
    NotEstimableError
        ``count_below_family``, ``not_whole_numbers``, ``too_many_levels``, ``no_convergence``,
        or a reason of `analytics.stats.counts.log_linear`.
    """
    rows = prepare(LOG_LINEAR, count, design, cluster=cluster)
    _check_counts(rows.y, family)
    if family.limit:
        limit = _fit(rows, BY_NAME[family.limit])
        if _falls_to_limit(rows, limit, family):
            return replace(
                limit, family=family, status="boundary", reason="no_overdispersion",
                fallback=family.fallback,
            )  # fmt: skip
    return _fit(rows, family)


def compare_families(
    count: ArrayLike,
    design: ArrayLike,
    *,
    families: Sequence[CountFamily] = FAMILIES,
    cluster: ArrayLike | None = None,
) -> tuple[CountFit, ...]:
    """Fit each family to the same rows; one that cannot be fitted is kept as ``failed``.

    Parameters as in `fit_family`. Rows that no family could use raise; a reason that belongs
    to one family is written in its ``reason``.
    """
    rows = prepare(LOG_LINEAR, count, design, cluster=cluster)
    fits = []
    for family in families:
        try:
            fits.append(fit_family(count, design, family=family, cluster=cluster))
        except NotEstimableError as error:
            fits.append(_failed(rows, family, error.reason))
    return tuple(fits)


def _check_counts(y: Floats, family: CountFamily) -> None:
    if n_below := int((y < family.lowest).sum()):
        raise NotEstimableError("count_below_family", n_rows=n_below, lowest=family.lowest)
    if n_broken := int((y != np.round(y)).sum()):
        raise NotEstimableError("not_whole_numbers", n_rows=n_broken)
    if family.has_levels and (n_levels := np.unique(y).size) > MAX_LEVELS:
        raise NotEstimableError("too_many_levels", n_levels=n_levels, n_allowed=MAX_LEVELS)


def _used_columns(rows: Problem, family: CountFamily) -> NDArray[np.bool_]:
    used = np.ones(rows.design.shape[1], dtype=bool)
    if family.has_levels:
        used = np.ptp(rows.design, axis=0) > 0
    return used


def _fit(rows: Problem, family: CountFamily) -> CountFit:
    used = _used_columns(rows, family)
    size = np.sqrt((rows.design[:, used] ** 2).mean(axis=0))
    levels, position = np.unique(rows.y, return_inverse=True)
    y = position.astype(float) if family.has_levels else rows.y
    search = _Search(family, y, rows.design[:, used] / size)
    theta = _climb(search, _begin(rows, search, size))
    density, scores = search.pieces(theta)
    unscale = np.r_[1 / size, np.ones(theta.size - size.size)]
    bread = _inverse(search.curvature(theta)) * np.outer(unscale, unscale)
    by_cluster = np.add.reduceat(scores / unscale, rows.starts, axis=0)
    dispersion = _dispersion(search, theta)
    n, n_clusters = rows.y.size, rows.sizes.size
    factor = n_clusters / (n_clusters - 1) * (n - 1) / (n - theta.size)
    theta = theta * unscale
    coefficients = np.full(used.size, np.nan)
    coefficients[used] = theta[: size.size]
    likelihood = float(density.sum()) if family.has_likelihood else np.nan
    return CountFit(
        family, "fitted", "", "", coefficients, theta[size.size :],
        bread if family.has_likelihood else bread * dispersion,
        factor * bread @ (by_cluster.T @ by_cluster) @ bread,
        used, levels, likelihood, 2 * theta.size - 2 * likelihood, dispersion, n, n_clusters,
    )  # fmt: skip


def _begin(rows: Problem, search: _Search, size: Floats) -> Floats:
    if search.family.has_levels:
        share = np.cumsum(np.bincount(search.y.astype(int)))[:-1] / rows.y.size
        return np.r_[np.zeros(size.size), np.log(share / (1 - share))]
    plain = solve(rows, exchangeable=False)
    mu = np.exp(rows.design @ plain.coefficients)
    return np.r_[plain.coefficients * size, search.family.start(rows.y, mu)]


def _climb(search: _Search, theta: Floats) -> Floats:
    """Newton's method, each step halved until the likelihood rises."""
    value = search.value(theta)
    for _ in range(MAX_STEPS):
        gradient = search.gradient(theta)
        step = _uphill(search.curvature(theta), gradient)
        if gradient @ step < 1e-14 * (1 + abs(value)):
            return theta
        for halving in 0.5 ** np.arange(30):
            trial = search.value(theta + halving * step)
            if trial >= value:
                theta, value = theta + halving * step, trial
                break
        else:
            break
    raise NotEstimableError("no_convergence", n_rows=search.y.size)


def _uphill(curvature: Floats, gradient: Floats) -> Floats:
    """Newton step, with the curvature raised where it does not point uphill."""
    if not (np.isfinite(curvature).all() and np.isfinite(gradient).all()):
        raise NotEstimableError("no_convergence", n_parameters=gradient.size)
    values, vectors = np.linalg.eigh(curvature)
    values = np.maximum(np.abs(values), 1e-8 * np.abs(values).max() + 1e-300)
    return vectors @ ((vectors.T @ gradient) / values)


def _inverse(curvature: Floats) -> Floats:
    if np.linalg.eigvalsh(curvature).min() <= 0:
        raise NotEstimableError("no_convergence", n_parameters=curvature.shape[0])
    return np.linalg.inv(curvature)


def _dispersion(search: _Search, theta: Floats) -> float:
    p = search.design.shape[1]
    mean, variance = search.family.moments(search.design @ theta[:p], theta[p:])
    return float(((search.y - mean) ** 2 / variance).sum() / (search.y.size - p))


def _falls_to_limit(rows: Problem, limit: CountFit, family: CountFamily) -> bool:
    theta = np.r_[limit.coefficients, NEAR_LIMIT]
    return bool(_Search(family, rows.y, rows.design).gradient(theta)[-1] <= 0)


def _failed(rows: Problem, family: CountFamily, reason: str) -> CountFit:
    p, nothing = rows.design.shape[1], np.empty(0)
    empty = np.full((p, p), np.nan)
    return CountFit(
        family, "failed", reason, family.fallback, np.full(p, np.nan), nothing, empty, empty,
        np.ones(p, dtype=bool), nothing, np.nan, np.nan, np.nan, rows.y.size, rows.sizes.size,
    )  # fmt: skip
