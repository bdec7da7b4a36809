"""Estimates of many units pulled towards their common mean as far as chance suggests."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy import optimize, special, stats

from analytics.errors import NotEstimableError
from analytics.stats.proportions import Floats, Interval, clopper_pearson
from analytics.stats.rates import poisson_rate

STRONGEST = np.log(1e6)  # log prior strength beyond which units share one value for all purposes
FLAT = 1e-3  # a gain in log-likelihood too small to be called variation between units

Loss = Callable[[float, float], float]  # of the mean and the strength, on their natural scale


@dataclass(frozen=True)
class Shrunken(Interval):
    """Posterior per unit, and the fitted distribution of the units.

    ``weight`` is the part of each estimate that is the unit's own data; ``mean`` and
    ``strength`` describe the prior (strength in rows, or in expected events). An infinite
    strength says that no variation between units was found: all then have the pooled estimate
    with its exact interval, and weight 0.
    """

    weight: Floats
    mean: float
    strength: float


def beta_binomial(k: ArrayLike, n: ArrayLike, *, level: float = 0.95) -> Shrunken:
    """Empirical Bayes proportions: units' true proportions follow a fitted beta distribution.

    Parameters
    ----------
    k, n
        Events and rows per unit; a unit with no rows gets the prior itself.
    level
        Coverage of the posterior interval, which takes the fitted prior as known and is
        therefore somewhat too narrow with few units.

    Returns
    -------
    Shrunken

    Raises
    ------
    NotEstimableError
        ``too_few_units`` below three units with rows; ``no_events`` or ``all_events``.

    Notes
    -----
    Maximum likelihood of the beta-binomial: Griffiths 1973, Biometrics 29:637.
    """
    k, n = np.asarray(k, float), np.asarray(n, float)
    _check(k, n)
    if k.sum() == n.sum():
        raise NotEstimableError("all_events", n_rows=float(n.sum()))

    def loss(mean: float, strength: float) -> float:
        a, b = mean * strength, (1 - mean) * strength
        return -float((special.betaln(a + k, b + n - k) - special.betaln(a, b)).sum())

    pooled = float(k.sum() / n.sum())
    mean, strength = _fit(loss, pooled, special.logit, special.expit)
    if np.isinf(strength):
        return _shared(clopper_pearson(k.sum(), n.sum(), level=level), n.shape, pooled)
    posterior = stats.beta(mean * strength + k, (1 - mean) * strength + n - k)
    return _posterior(posterior, n / (n + strength), (mean, strength), level)


def gamma_poisson(observed: ArrayLike, expected: ArrayLike, *, level: float = 0.95) -> Shrunken:
    """Empirical Bayes ratios of observed to expected events under a fitted gamma distribution.

    Parameters and errors as in `beta_binomial`; ``expected`` is the events expected per unit.
    Clayton & Kaldor 1987, Biometrics 43:671, by maximum likelihood.
    """
    o, e = np.asarray(observed, float), np.asarray(expected, float)
    _check(o, e)

    def loss(mean: float, strength: float) -> float:
        shape = mean * strength
        terms = special.gammaln(shape + o) - special.gammaln(shape) + shape * np.log(strength)
        return -float((terms - (shape + o) * np.log(strength + e)).sum())

    pooled = float(o.sum() / e.sum())
    mean, strength = _fit(loss, pooled, np.log, np.exp)
    if np.isinf(strength):
        return _shared(poisson_rate(o.sum(), e.sum(), level=level), e.shape, pooled)
    posterior = stats.gamma(mean * strength + o, scale=1 / (strength + e))
    return _posterior(posterior, e / (e + strength), (mean, strength), level)


def _check(events: Floats, size: Floats) -> None:
    if (n_units := int((size > 0).sum())) < 3:
        raise NotEstimableError("too_few_units", n_units=n_units)
    if events.sum() == 0:
        raise NotEstimableError("no_events", n_units=n_units)


def _fit(
    loss: Loss,
    pooled: float,
    scale: Callable[[float], float],
    back: Callable[[float], float],
) -> tuple[float, float]:
    """Mean and strength of the prior; strength infinite where one shared value fits as well."""
    centre = float(scale(pooled))
    found = optimize.minimize(
        lambda t: loss(float(back(t[0])), float(np.exp(t[1]))),
        np.array([centre, np.log(20.0)]),
        method="L-BFGS-B",
        bounds=[(centre - 5, centre + 5), (np.log(1e-3), STRONGEST)],
        options={"ftol": 1e-14, "gtol": 1e-9},
    )
    if loss(pooled, float(np.exp(STRONGEST))) - found.fun < FLAT:
        return pooled, float("inf")
    return float(back(found.x[0])), float(np.exp(found.x[1]))


def _shared(pooled: Interval, shape: tuple[int, ...], mean: float) -> Shrunken:
    centre, low, high = (
        np.full(shape, part) for part in (pooled.estimate, pooled.lower, pooled.upper)
    )
    return Shrunken(centre, low, high, np.zeros(shape), mean, np.inf)


def _posterior(
    posterior: stats.rv_frozen, weight: Floats, prior: tuple[float, float], level: float
) -> Shrunken:
    low, high = posterior.ppf((1 - level) / 2), posterior.ppf((1 + level) / 2)
    return Shrunken(posterior.mean(), low, high, weight, *prior)
