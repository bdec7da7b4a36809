"""Two proportions side by side: difference, ratio and odds ratio with intervals.

The two groups must not share clusters: nothing here knows of a covariance between them.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import stats

from analytics.errors import NotEstimableError
from analytics.stats.proportions import Interval


def difference(first: Interval, second: Interval) -> Interval:
    """Difference of two independent proportions from their own intervals.

    Parameters
    ----------
    first, second
        Any intervals of proportions at the same level, clustered or not; arrays broadcast.

    Returns
    -------
    Interval
        First minus second.

    Notes
    -----
    The square-and-add rule of Newcombe 1998, Stat Med 17:873, method 10 when both are
    Wilson's; it keeps the limits within -1 and 1 and works with no or all events.
    """
    gap = first.estimate - second.estimate
    down = np.hypot(first.estimate - first.lower, second.upper - second.estimate)
    up = np.hypot(first.upper - first.estimate, second.estimate - second.lower)
    return Interval(gap, gap - down, gap + up)


def ratio(first: Interval, second: Interval) -> Interval:
    """Ratio of two independent proportions from their own intervals.

    Parameters as in `difference`; first over second. Donner & Zou 2012, Stat Methods Med Res
    21:347. The upper limit is infinite when the second's lower limit is 0, and the
    estimate NaN when both proportions are 0.
    """
    p, q = first.estimate, second.estimate
    with np.errstate(divide="ignore", invalid="ignore"):
        low_base = second.upper * (2 * q - second.upper)
        low_root = (p * q) ** 2 - first.lower * (2 * p - first.lower) * low_base
        high_base = second.lower * (2 * q - second.lower)
        high_root = (p * q) ** 2 - first.upper * (2 * p - first.upper) * high_base
        lower = (p * q - np.sqrt(np.maximum(low_root, 0))) / low_base
        upper = (p * q + np.sqrt(np.maximum(high_root, 0))) / high_base
        estimate = p / q
    upper = np.where(second.lower <= 0, np.inf, upper)
    return Interval(estimate, np.where(p == 0, 0.0, lower), upper)


def risk_ratio(
    yes: tuple[ArrayLike, ArrayLike], n: tuple[ArrayLike, ArrayLike], *, level: float = 0.95
) -> Interval:
    """Ratio of two proportions of independent rows with the logarithmic interval.

    Parameters
    ----------
    yes, n
        Events and rows of the first and the second group; arrays broadcast.
    level
        Coverage wanted.

    Returns
    -------
    Interval
        Limits 0 and infinity where either group has no event: use `ratio` there.

    Notes
    -----
    Katz et al. 1978, Biometrics 34:469.
    """
    a, c, m, n2 = _cells(yes, n)
    with np.errstate(divide="ignore", invalid="ignore"):
        estimate = (a / m) / (c / n2)
        se = np.sqrt(1 / a - 1 / m + 1 / c - 1 / n2)
    return _from_log(estimate, se, (a == 0) | (c == 0), level)


def odds_ratio(
    yes: tuple[ArrayLike, ArrayLike], n: tuple[ArrayLike, ArrayLike], *, level: float = 0.95
) -> Interval:
    """Odds ratio of independent rows; exact where a cell is empty.

    Parameters as in `risk_ratio`. Woolf 1955, Ann Hum Genet 19:251. Where one of the four
    cells is 0 the estimate is 0 or infinity and the limits are the conditional exact ones
    (Cornfield 1956, by the noncentral hypergeometric; R's ``fisher.test``).
    """
    a, c, m, n2 = _cells(yes, n)
    empty = (a == 0) | (c == 0) | (a == m) | (c == n2)
    with np.errstate(divide="ignore", invalid="ignore"):
        estimate = a * (n2 - c) / (c * (m - a))
        se = np.sqrt(1 / a + 1 / (m - a) + 1 / c + 1 / (n2 - c))
    wald = _from_log(estimate, se, empty, level)
    lower, upper = wald.lower.copy(), wald.upper.copy()
    for spot in zip(*np.nonzero(empty), strict=True):
        table = np.array([[a[spot], (m - a)[spot]], [c[spot], (n2 - c)[spot]]]).astype(int)
        exact = stats.contingency.odds_ratio(table).confidence_interval(level)
        lower[spot], upper[spot] = exact.low, exact.high
    return Interval(wald.estimate, lower, upper)


def _cells(yes: tuple[ArrayLike, ArrayLike], n: tuple[ArrayLike, ArrayLike]) -> list[NDArray]:
    cells = [np.atleast_1d(np.asarray(part, float)) for part in (*yes, *n)]
    a, c, m, n2 = np.broadcast_arrays(*cells)
    if wrong := int(((a < 0) | (a > m) | (c < 0) | (c > n2)).sum()):
        raise NotEstimableError("counts_out_of_range", n_wrong=wrong)
    return [a, c, m, n2]


def _from_log(estimate: NDArray, se: NDArray, empty: NDArray, level: float) -> Interval:
    half = np.where(empty, np.inf, float(stats.norm.ppf((1 + level) / 2)) * se)
    with np.errstate(divide="ignore", invalid="ignore"):
        lower = np.where(empty, 0.0, estimate * np.exp(-half))
        upper = np.where(empty, np.inf, estimate * np.exp(half))
    return Interval(estimate, lower, upper)
