"""Products and quotients of positive numbers that each come with their own interval."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from analytics.stats.proportions import Interval


def divide(above: Interval, below: Interval) -> Interval:
    """Quotient of two independent positive numbers from their own intervals.

    Parameters
    ----------
    above, below
        Intervals at one level, of any shapes that broadcast; ``below`` is positive.

    Returns
    -------
    Interval
        NaN where either is NaN. Where ``above`` is 0, from 0 to its upper limit over the lower
        limit of ``below``.

    Notes
    -----
    The distances from estimate to limit are recovered from each interval and added as squares, on
    the logarithm, where the interval of a positive number is nearly symmetric: Zou & Donner 2008,
    Stat Med 27:1693; for ratios Donner & Zou 2012, Stat Methods Med Res 21:347.
    """
    return multiply(above, _turn(below))


def multiply(first: Interval, second: Interval) -> Interval:
    """Product of two independent positive numbers; conventions as in `divide`."""
    with np.errstate(divide="ignore", invalid="ignore"):
        estimate = first.estimate * second.estimate
        down = np.hypot(_logs(first.estimate, first.lower), _logs(second.estimate, second.lower))
        up = np.hypot(_logs(first.upper, first.estimate), _logs(second.upper, second.estimate))
        lower, upper = estimate * np.exp(-down), estimate * np.exp(up)
    nothing = np.asarray(first.estimate == 0) & ~np.isnan(estimate)
    lower = np.where(nothing, 0.0, lower)
    return Interval(estimate, lower, np.where(nothing, first.upper * second.upper, upper))


def exactly(value: float | NDArray) -> Interval:
    """Return a number taken as known."""
    known = np.asarray(value, dtype=float)
    return Interval(known, known, known)


def between(value: float, lower: float, upper: float) -> Interval:
    """Return a number with the limits that were published with it."""
    return Interval(np.asarray(value, float), np.asarray(lower, float), np.asarray(upper, float))


def _turn(number: Interval) -> Interval:
    with np.errstate(divide="ignore", invalid="ignore"):
        return Interval(1 / number.estimate, 1 / number.upper, 1 / number.lower)


def _logs(high: NDArray, low: NDArray) -> NDArray:
    return np.log(np.asarray(high, dtype=float)) - np.log(np.asarray(low, dtype=float))
