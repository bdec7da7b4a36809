"""Is a straight line enough? A curve that contains it, and the test of the rest."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy import stats

from analytics.errors import NotEstimableError
from analytics.stats.marginal import MarginalFit
from analytics.stats.proportions import Floats

# Quantiles at which knots are set: Harrell 2015, Regression Modeling Strategies, table 2.3.
KNOT_QUANTILES = {
    3: (0.10, 0.50, 0.90),
    4: (0.05, 0.35, 0.65, 0.95),
    5: (0.05, 0.275, 0.50, 0.725, 0.95),
}


@dataclass(frozen=True)
class WaldTest:
    """An F statistic with its degrees of freedom and p-value."""

    f: float
    degrees: tuple[int, int]
    p: float


def knots_of(values: ArrayLike, *, n_knots: int = 4) -> Floats:
    """Knots at the customary quantiles of the values; fewer when quantiles coincide.

    Raises
    ------
    NotEstimableError
        ``too_few_values`` when fewer than three different knots are left.
    """
    knots = np.unique(np.quantile(np.asarray(values, float), KNOT_QUANTILES[n_knots]))
    if knots.size < 3:
        raise NotEstimableError("too_few_values", n_knots=int(knots.size))
    return knots


def restricted_cubic(values: ArrayLike, knots: ArrayLike) -> Floats:
    """Columns of a cubic spline that is straight beyond the outer knots.

    Parameters
    ----------
    values
        n values.
    knots
        k increasing knots, at least three.

    Returns
    -------
    array
        n by k - 1; the first column is the value itself, so that the line is the special case
        in which all others have the coefficient 0. Harrell 2015, equation 2.25.
    """
    x, t = np.asarray(values, float), np.asarray(knots, float)
    cube = np.maximum(x[:, None] - t, 0) ** 3
    last, before = cube[:, -1:], cube[:, -2:-1]
    gap = t[-1] - t[-2]
    bent = cube[:, :-2] - before * (t[-1] - t[:-2]) / gap + last * (t[-2] - t[:-2]) / gap
    return np.column_stack([x, bent / (t[-1] - t[0]) ** 2])


def wald_test(fit: MarginalFit, columns: ArrayLike) -> WaldTest:
    """Test that the coefficients of ``columns`` are all nought, by the clustered covariance.

    F on the number of columns and the fit's degrees; for large networks that is chi-square.
    """
    at = np.asarray(columns, dtype=int)
    beta = fit.coefficients[at]
    statistic = beta @ np.linalg.solve(fit.covariance[np.ix_(at, at)], beta) / at.size
    p = stats.f.sf(statistic, at.size, fit.degrees)
    return WaldTest(float(statistic), (at.size, fit.degrees), float(p))
