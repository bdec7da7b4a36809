"""Funnel limits for units of different size, and what to do when units vary more than chance.

Reference: Spiegelhalter 2005, Stat Med 24:1185 (limits); 2005, Qual Saf Health Care 14:347 and
Spiegelhalter et al. 2012, J R Stat Soc A 175:1 (overdispersion).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import optimize, stats

from analytics.errors import NotEstimableError
from analytics.stats.proportions import Floats

WARNING, ACTION = 0.95, 0.998  # the customary two pairs of limits
CLIP = 0.10  # share of units pulled in at each end before overdispersion is measured


@dataclass(frozen=True)
class Overdispersion:
    """Variation between units beyond chance.

    ``phi`` is the mean square of the pulled-in z-scores (1 when chance explains all), ``tau2``
    the variance between units on the scale of the rates (0 when there is no excess),
    ``clipped`` the pulled-in z-scores.
    """

    phi: float
    tau2: float
    n_units: int
    clipped: Floats


def binomial_limits(
    target: float, n: ArrayLike, *, level: float = ACTION, clip: bool = True
) -> tuple[Floats, Floats]:
    """Exact limits, between which a proportion with mean ``target`` falls in ``level`` of cases.

    Parameters
    ----------
    target
        Proportion expected of every unit, between 0 and 1.
    n
        Rows per unit; NaN limits where 0.
    level
        Share of in-control units inside, half of the rest on either side.
    clip
        Hold limits at 0 and 1; the interpolated limit of a small unit may lie outside.

    Returns
    -------
    tuple of arrays
        Lower and upper, each shaped as n.

    Notes
    -----
    Interpolation rule (Spiegelhalter 2005, appendix A.1.1): with r the smallest count whose
    cumulative chance reaches p, and alpha = (P(X <= r) - p) / P(X = r), the limit is
    (r - alpha) / n. Other rules give other limits for small n.
    """
    if not 0 < target < 1:
        raise NotEstimableError("target_out_of_range", target=target)
    n = np.asarray(n, float)
    units = np.where(n > 0, n, np.nan)
    sides = [_interpolated(stats.binom(units, target), p) / units for p in _tails(level)]
    low, high = (np.clip(side, 0, 1) for side in sides) if clip else sides
    return low, high


def poisson_limits(
    target: float, expected: ArrayLike, *, level: float = ACTION, clip: bool = True
) -> tuple[Floats, Floats]:
    """Exact limits of a ratio of observed to expected events whose mean is ``target``.

    Parameters as in `binomial_limits`, ``expected`` being the expected events per unit at a
    ratio of 1 (or the exposure, for a rate); the interpolation rule is the same.
    """
    if not target > 0:
        raise NotEstimableError("target_out_of_range", target=target)
    expected = np.asarray(expected, float)
    units = np.where(expected > 0, expected, np.nan)
    sides = [_interpolated(stats.poisson(target * units), p) / units for p in _tails(level)]
    low, high = (np.maximum(side, 0) for side in sides) if clip else sides
    return low, high


def z_scores(rate: ArrayLike, target: float, standard_error: ArrayLike) -> Floats:
    """Distance of each unit's rate from the target in its own standard errors."""
    return (np.asarray(rate, float) - target) / np.asarray(standard_error, float)


def overdispersion(
    z: ArrayLike, standard_error: ArrayLike, *, clip: float = CLIP, corrected: bool = True
) -> Overdispersion:
    """Measure how much more units vary than chance explains.

    Parameters
    ----------
    z
        z-scores at the target, one per unit.
    standard_error
        Standard error of each unit's rate at the target.
    clip
        Share of z-scores pulled in to the quantile (linear interpolation) at each end, so that
        the outliers sought do not hide themselves.
    corrected
        Divide by the mean square of equally pulled-in standard normal scores (0.68 at 10%).
        The source does not; without it phi is a third too small and in-control units are
        flagged several times too often once units do vary.

    Returns
    -------
    Overdispersion
        tau2 by the method of moments; 0 unless the number of units times phi exceeds units - 1.

    Raises
    ------
    NotEstimableError
        ``too_few_units`` below two units.
    """
    z, se = np.asarray(z, float), np.asarray(standard_error, float)
    if z.size < 2:
        raise NotEstimableError("too_few_units", n_units=z.size)
    low, high = np.quantile(z, [clip, 1 - clip])
    clipped = np.clip(z, low, high)
    phi = float((clipped**2).mean()) / (_clipped_normal(clip) if corrected else 1.0)
    w = 1 / se**2
    excess = z.size * phi - (z.size - 1)
    tau2 = max(0.0, excess / float(w.sum() - (w**2).sum() / w.sum()))
    return Overdispersion(phi, tau2, z.size, clipped)


def _clipped_normal(clip: float) -> float:
    """Mean square of a standard normal score pulled in to its quantiles clip and 1 - clip."""
    if clip == 0:
        return 1.0
    edge = stats.norm.ppf(1 - clip)
    return float(2 * clip * edge**2 + (1 - 2 * clip) - 2 * edge * stats.norm.pdf(edge))


def adjusted_z(
    z: ArrayLike, standard_error: ArrayLike, *, spread: Overdispersion, multiplicative: bool = False
) -> Floats:
    """z-scores after allowing for variation between units; never further from 0 than before.

    Additive by default: the error becomes sqrt(se^2 + tau2), which matters most in large
    units; multiplicative: every error times sqrt(phi), phi taken as 1 when below.
    """
    z, se = np.asarray(z, float), np.asarray(standard_error, float)
    if multiplicative:
        return z / np.sqrt(max(spread.phi, 1.0))
    return z * se / np.sqrt(se**2 + spread.tau2)


def widened(
    limits: tuple[Floats, Floats],
    target: float,
    standard_error: ArrayLike,
    *,
    spread: Overdispersion,
) -> tuple[Floats, Floats]:
    """Exact limits carried outward for overdispersion, never inward.

    Each exact distance from the target is stretched by sqrt(1 + tau2 / se^2). Without
    overdispersion the exact limits stand; with it they keep the skewness of small units and
    meet the additive model's target +- z sqrt(se^2 + tau2) in large ones. The source gives
    that normal form only; the joining is our own.
    """
    se = np.asarray(standard_error, float)
    stretch = np.sqrt(1 + spread.tau2 / se**2)
    low, high = limits
    return target - (target - low) * stretch, target + (high - target) * stretch


def quantile_with_spread(level: float, *, spread: Overdispersion) -> float:
    """How many errors from the target limits stand when tau2 was estimated from the same units.

    The t quantile on units - 1 degrees of freedom; the normal one when tau2 is 0. Our own
    allowance: without it 99.8% limits of 20 to 50 varying units leave out 0.3 to 0.4% of those in
    control, with it 0.12 to 0.17%.
    """
    tail = (1 - level) / 2
    if spread.tau2 == 0:
        return float(stats.norm.isf(tail))
    return float(stats.t.isf(tail, spread.n_units - 1))


def unlike_quantile(n_others: int, *, tail: float, spread: Overdispersion) -> float:
    """How many errors from units that set the limits alone another one must lie to be unlike them.

    Where they vary by more than chance, Student's t with ``n_others - 1`` degrees of freedom. Where
    they seem not to, so few may hide a spread: the distance is such that, whatever the true spread,
    the chance that they show none and that a unit like them still lies so far out is at most
    twice the tail. With r the spread in units of the error, the others show none when a
    chi-square on ``n_others`` is below (n_others - 1) / (1 + r^2). Our own allowance.
    """
    if spread.tau2 > 0:
        return float(stats.t.isf(tail, n_others - 1))
    times = np.sqrt(1 + np.geomspace(0.01, 100, 200) ** 2)
    shows_none = stats.chi2.cdf((n_others - 1) / times**2, n_others)

    def excess(quantile: float) -> float:
        return float((shows_none * 2 * stats.norm.sf(quantile / times)).max()) - 2 * tail

    return float(optimize.brentq(excess, 0.0, 1e4))


def outside(rate: ArrayLike, limits: tuple[Floats, Floats]) -> NDArray[np.int64]:
    """-1 for a rate below its lower limit, 1 above its upper, 0 inside or not known."""
    rate = np.asarray(rate, float)
    return (rate > limits[1]).astype(np.int64) - (rate < limits[0]).astype(np.int64)


def expected_false_flags(n_units: int, *, level: float = ACTION, n_measures: int = 1) -> float:
    """How many in-control units fall outside by chance: units times measures times 1 - level."""
    return n_units * n_measures * (1 - level)


def _tails(level: float) -> tuple[float, float]:
    return (1 - level) / 2, (1 + level) / 2


def _interpolated(distribution: stats.rv_frozen, p: float) -> Floats:
    r = distribution.ppf(p)
    return r - (distribution.cdf(r) - p) / distribution.pmf(r)
