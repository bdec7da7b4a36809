"""Standardised differences: how far two groups lie apart, in units of their spread."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike
from scipy import stats

from analytics.errors import NotEstimableError
from analytics.stats.proportions import Interval


def standardised_difference(
    first: ArrayLike, second: ArrayLike, *, level: float = 0.95
) -> Interval:
    """Difference of two means over the root of their mean variance.

    Parameters
    ----------
    first, second
        Numbers of each group, or 0 and 1; missing values are refused.
    level
        Coverage wanted.

    Returns
    -------
    Interval
        First less second; normal limits with the error of Hedges and Olkin.

    Raises
    ------
    NotEstimableError
        ``missing_values``, ``too_few_values`` below two in a group, ``no_contrast`` where nothing
        varies in either.

    Notes
    -----
    Austin 2009, Stat Med 28:3083, equations 1 and 2. The variance of numbers is over n - 1; of 0
    and 1 it is p (1 - p). Error: Hedges & Olkin 1985, sqrt(1/n1 + 1/n2 + d^2 / (2 (n1 + n2))).
    """
    x, y = _checked(first), _checked(second)
    spread = np.sqrt((_variance(x) + _variance(y)) / 2)
    if spread == 0:
        raise NotEstimableError("no_contrast", n_first=x.size, n_second=y.size)
    return _with_limits(float((x.mean() - y.mean()) / spread), x.size, y.size, level)


def standardised_distance(first: ArrayLike, second: ArrayLike, *, level: float = 0.95) -> Interval:
    """Distance of two groups over all levels of a category at once; never negative.

    Parameters
    ----------
    first, second
        Level of each row.

    Notes
    -----
    Yang & Dalton 2012, SAS Global Forum paper 335: the Mahalanobis distance of the shares of all
    levels but one by the mean of the two multinomial covariances. Of two levels it is the size of
    `standardised_difference`.
    """
    a, b = np.asarray(first, dtype=str), np.asarray(second, dtype=str)
    if min(a.size, b.size) < 2:
        raise NotEstimableError("too_few_values", n_first=a.size, n_second=b.size)
    levels = np.unique(np.concatenate([a, b]))[1:]
    if not levels.size:
        raise NotEstimableError("no_contrast", n_first=a.size, n_second=b.size)
    p, q = ((part[:, None] == levels).mean(axis=0) for part in (a, b))
    between = (_multinomial(p) + _multinomial(q)) / 2
    squared = float((p - q) @ np.linalg.pinv(between) @ (p - q))
    return _with_limits(float(np.sqrt(max(squared, 0.0))), a.size, b.size, level)


def _checked(values: ArrayLike) -> np.ndarray:
    x = np.asarray(values, dtype=float)
    if n_missing := int((~np.isfinite(x)).sum()):
        raise NotEstimableError("missing_values", n_rows=n_missing)
    if x.size < 2:
        raise NotEstimableError("too_few_values", n=x.size)
    return x


def _variance(x: np.ndarray) -> float:
    is_binary = bool(np.isin(x, (0.0, 1.0)).all())
    return float(x.var(ddof=0 if is_binary else 1))


def _multinomial(share: np.ndarray) -> np.ndarray:
    return np.diag(share) - np.outer(share, share)


def _with_limits(d: float, n1: int, n2: int, level: float) -> Interval:
    half = float(stats.norm.ppf((1 + level) / 2)) * np.sqrt(
        1 / n1 + 1 / n2 + d**2 / (2 * (n1 + n2))
    )
    return Interval(np.asarray(d), np.asarray(d - half), np.asarray(d + half))
