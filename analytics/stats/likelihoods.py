"""Likelihoods of a count given a linear predictor: value and derivatives, row by row.

Each function takes counts y (n), the linear predictor eta (n) and the extra parameters, and
returns the log-density (n), its derivative by eta (n) and by the extra parameters (n by q).
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.polynomial import chebyshev
from numpy.typing import NDArray
from scipy import special

Floats = NDArray[np.floating]
Pieces = tuple[Floats, Floats, Floats]
Density = Callable[[Floats, Floats, Floats], Pieces]
TERMS_BEYOND = 30  # terms of a series kept in any case; see `_conway_series`
DISTINCT_SOLVED = 400  # linear predictors solved one by one; more are read off a polynomial
DEGREE = 48


def poisson(y: Floats, eta: Floats, extra: Floats) -> Pieces:
    """Poisson: variance equal to the mean; no extra parameter."""
    mu = np.exp(eta)
    return y * eta - mu - special.gammaln(y + 1), y - mu, np.empty((y.size, 0))


def negative_binomial(y: Floats, eta: Floats, extra: Floats) -> Pieces:
    """Negative binomial with variance mu + alpha mu^2; extra is log alpha."""
    mu, alpha = np.exp(eta), np.exp(extra[0])
    r = 1 / alpha
    density = (
        special.gammaln(y + r)
        - special.gammaln(r)
        - special.gammaln(y + 1)
        - r * np.log1p(alpha * mu)
        + y * (eta + extra[0] - np.log1p(alpha * mu))
    )
    by_r = special.digamma(y + r) - special.digamma(r) - np.log1p(alpha * mu)
    by_alpha = -(r**2) * by_r + (y - mu) * r / (1 + alpha * mu)
    return density, (y - mu) / (1 + alpha * mu), (alpha * by_alpha)[:, None]


def generalised_poisson(y: Floats, eta: Floats, extra: Floats) -> Pieces:
    """Generalised Poisson with variance phi times the mean; extra is log phi.

    Consul & Jain 1973, Technometrics 15:791, with theta = mu / sqrt(phi) and
    lambda = 1 - 1 / sqrt(phi). For phi < 1 it does not sum to one exactly.
    """
    root = np.exp(-extra[0] / 2)
    theta, lam = np.exp(eta) * root, 1 - root
    inside = theta + lam * y
    ok = inside > 0
    inside = np.where(ok, inside, 1.0)
    density = np.log(theta) + (y - 1) * np.log(inside) - theta - lam * y - special.gammaln(y + 1)
    by_theta = 1 / theta + (y - 1) / inside - 1
    by_lam = (y - 1) * y / inside - y
    by_extra = -by_theta * theta / 2 + by_lam * root / 2
    return np.where(ok, density, -np.inf), by_theta * theta, by_extra[:, None]


def conway_maxwell_poisson(y: Floats, eta: Floats, extra: Floats) -> Pieces:
    """Conway-Maxwell-Poisson with mean exp(eta); extra is log nu, nu > 1 being under-dispersed.

    Huang 2017, Stat Model 17:359: log lambda is solved so that the mean is exp(eta).
    Not the same model as one that is linear in log lambda.
    """
    nu, log_factorial = np.exp(extra[0]), special.gammaln(y + 1)
    log_lambda, (log_z, mean, variance, mean_log, covariance) = conway_solution(eta, nu)
    gap = y - mean
    density = y * log_lambda - nu * log_factorial - log_z
    by_nu = gap * covariance / variance - (log_factorial - mean_log)
    return density, gap * np.exp(eta) / variance, (nu * by_nu)[:, None]


def conway_solution(eta: Floats, nu: float) -> tuple[Floats, tuple[Floats, ...]]:
    """Log lambda whose mean is exp(eta), with the moments there.

    Returns
    -------
    log_lambda, moments
        Moments are log Z, E[Y], Var[Y], E[log Y!] and Cov[Y, log Y!], each as long as eta.

    Notes
    -----
    The solution is a smooth function of eta for a given nu. With many distinct values it is
    read off a Chebyshev polynomial instead of being solved for each, unless that polynomial
    misses the solution between its nodes by more than 1e-10.
    """
    distinct, where = np.unique(eta, return_inverse=True)
    solved = _polynomial(distinct, nu) if distinct.size > DISTINCT_SOLVED else None
    if solved is None:
        solved = np.stack(_solve_conway(distinct, nu))
    log_lambda, log_z, variance, mean_log, covariance = solved[:, where]
    return log_lambda, (log_z, np.exp(eta), variance, mean_log, covariance)


def _polynomial(eta: Floats, nu: float) -> Floats | None:
    middle, half = (eta[-1] + eta[0]) / 2, (eta[-1] - eta[0]) / 2
    nodes = chebyshev.chebpts1(DEGREE + 1)
    between = (nodes[1:] + nodes[:-1]) / 2
    at_nodes = np.stack(_solve_conway(middle + half * nodes, nu))
    weights = np.linalg.solve(chebyshev.chebvander(nodes, DEGREE), at_nodes.T)
    missed = chebyshev.chebval(between, weights) - np.stack(
        _solve_conway(middle + half * between, nu)
    )
    if np.abs(missed).max() > 1e-10 * (1 + np.abs(at_nodes).max()):
        return None
    return np.asarray(chebyshev.chebval((eta - middle) / half, weights))


def _solve_conway(eta: Floats, nu: float) -> tuple[Floats, ...]:
    """Log lambda, log Z, variance, E[log Y!] and covariance at each eta, by Newton's method."""
    mu = np.exp(eta)
    # Starting value from the large-count approximation of Shmueli et al. 2005.
    log_lambda = nu * np.log(np.maximum(mu + (nu - 1) / (2 * nu), 0.05 * mu))
    for _ in range(60):
        moments = _conway_series(log_lambda, nu, float(mu.max(initial=1.0)))
        step = np.clip((mu - moments[1]) / moments[2], -2, 2)
        log_lambda = log_lambda + step
        if np.abs(step).max(initial=0.0) < 1e-12 * (1 + np.abs(log_lambda).max(initial=0.0)):
            break
    log_z, _, variance, mean_log, covariance = moments
    return log_lambda, log_z, variance, mean_log, covariance


def _conway_series(log_lambda: Floats, nu: float, highest: float) -> tuple[Floats, ...]:
    # The deviation is about sqrt(mu / nu); below nu = 1 the tail is nearer to geometric.
    deviations = 40 if nu < 1 else 12
    last = int(highest + deviations * np.sqrt(highest / nu) + TERMS_BEYOND)
    j = np.arange(min(last, 5000) + 1.0)
    log_factorial = special.gammaln(j + 1)
    terms = np.multiply.outer(log_lambda, j) - nu * log_factorial
    top = terms.max(axis=1, keepdims=True)
    weight = np.exp(terms - top)
    total = weight.sum(axis=1)
    weight /= total[:, None]
    mean, mean_log = weight @ j, weight @ log_factorial
    variance = weight @ j**2 - mean**2
    covariance = weight @ (j * log_factorial) - mean * mean_log
    return np.log(total) + top[:, 0], mean, variance, mean_log, covariance


def ordinal(y: Floats, eta: Floats, extra: Floats) -> Pieces:
    """Proportional odds, P(Y <= k) = logit^-1(threshold_k - eta), for codes y = 0..q.

    Extra are the q thresholds. McCullagh 1980, J R Stat Soc B 42:109.
    """
    code = y.astype(int)
    cuts = np.r_[-np.inf, extra, np.inf]
    above, below = special.expit(cuts[code + 1] - eta), special.expit(cuts[code] - eta)
    chance = above - below
    ok = chance > 0
    chance = np.where(ok, chance, 1.0)
    at_above, at_below = above * (1 - above) / chance, below * (1 - below) / chance
    by_cut = np.zeros((y.size, extra.size + 2))
    rows = np.arange(y.size)
    by_cut[rows, code + 1] = at_above
    by_cut[rows, code] -= at_below
    density = np.where(ok, np.log(chance), -np.inf)
    return density, at_below - at_above, by_cut[:, 1:-1]


def zero_truncated(base: Density) -> Density:
    """The same likelihood given that the count is at least 1."""

    def truncated(y: Floats, eta: Floats, extra: Floats) -> Pieces:
        density, by_eta, by_extra = base(y, eta, extra)
        at_zero, zero_eta, zero_extra = base(np.zeros_like(y), eta, extra)
        odds = 1 / np.expm1(-at_zero)
        return (
            density - np.log(-np.expm1(at_zero)),
            by_eta + odds * zero_eta,
            by_extra + odds[:, None] * zero_extra,
        )

    return truncated
