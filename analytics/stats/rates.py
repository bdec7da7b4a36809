"""Exact intervals for event rates, their ratio, and observed over expected."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike
from scipy import stats

from analytics.errors import NotEstimableError
from analytics.stats.proportions import Interval, clopper_pearson


def poisson_rate(count: ArrayLike, exposure: ArrayLike = 1.0, *, level: float = 0.95) -> Interval:
    """Rate of events per unit of exposure with its exact interval.

    Parameters
    ----------
    count
        Events, whole numbers, any shape.
    exposure
        Time or items at risk, in the unit that the rate is wanted in; broadcasts with count.
    level
        Coverage wanted.

    Returns
    -------
    Interval
        NaN where the exposure is 0.

    Raises
    ------
    NotEstimableError
        ``counts_out_of_range`` when a count or an exposure is negative.

    Notes
    -----
    Garwood 1936, Biometrika 28:437, by the gamma quantiles; R's ``poisson.test``.
    """
    count, exposure = np.broadcast_arrays(np.asarray(count, float), np.asarray(exposure, float))
    if wrong := int(((count < 0) | (exposure < 0)).sum()):
        raise NotEstimableError("counts_out_of_range", n_wrong=wrong)
    tail = (1 - level) / 2
    low = np.where(count > 0, stats.gamma.ppf(tail, np.where(count > 0, count, 1.0)), 0.0)
    high = stats.gamma.ppf(1 - tail, count + 1)
    units = np.where(exposure > 0, exposure, np.nan)
    return Interval(count / units, low / units, high / units)


def standardised_ratio(
    observed: ArrayLike, expected: ArrayLike, *, level: float = 0.95
) -> Interval:
    """Observed over expected events, the expected taken as known, with exact limits.

    Parameters and conventions as in `poisson_rate`; Breslow & Day 1987, Statistical Methods
    in Cancer Research II, chapter 2, by the exact Poisson limits. With
    bounded events (at most one per row) the limits are somewhat too wide, never too narrow.
    """
    return poisson_rate(observed, expected, level=level)


def rate_ratio(
    counts: tuple[ArrayLike, ArrayLike],
    exposures: tuple[ArrayLike, ArrayLike],
    *,
    level: float = 0.95,
) -> Interval:
    """Ratio of the first rate to the second with the interval conditional on their total.

    Parameters
    ----------
    counts, exposures
        First and second group; arrays broadcast.
    level
        Coverage wanted.

    Returns
    -------
    Interval
        An upper limit of infinity where the second count is 0; NaN without any event.

    Notes
    -----
    Given the total the first count is binomial, so its exact interval is turned into one of
    the ratio; R's ``poisson.test`` with two groups.
    """
    first, second = (np.asarray(part, float) for part in counts)
    units = np.asarray(exposures[1], float) / np.asarray(exposures[0], float)
    share = clopper_pearson(first, first + second, level=level)
    parts = (share.estimate, share.lower, share.upper)
    with np.errstate(divide="ignore"):
        estimate, lower, upper = (part / (1 - part) * units for part in parts)
    return Interval(estimate, lower, upper)
