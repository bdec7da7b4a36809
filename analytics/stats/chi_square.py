"""Test statistics that follow a chi-square distribution when there is no effect."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import stats as distributions

from analytics.errors import NotEstimableError

# Of a correlation matrix; below it a direction is rounding error.
SMALLEST_EIGENVALUE = 1e-10


@dataclass(frozen=True, slots=True)
class ChiSquare:
    """A test statistic with its degrees of freedom and p value."""

    statistic: float
    degrees_of_freedom: int
    p: float


def chi_square(statistic: float, df: int) -> ChiSquare:
    """Attach the p value to a statistic with ``df`` degrees of freedom."""
    return ChiSquare(statistic, df, float(distributions.chi2.sf(statistic, df)))


def quadratic_form(vector: np.ndarray, matrix: np.ndarray) -> ChiSquare:
    """Test a (p,) vector against its (p, p) covariance, on as many directions as that has.

    Scores that add up to 0, or come from fewer clusters than terms, have a covariance of lower
    rank; the degrees of freedom are that rank.

    Raises
    ------
    NotEstimableError
        ``no_contrast`` when nothing varies at all.
    """
    size = np.sqrt(np.maximum(np.diag(matrix), 0.0))
    if not size.any():
        raise NotEstimableError("no_contrast", n_terms=len(vector))
    unit = np.where(size > 0, size, 1.0)
    values, vectors = np.linalg.eigh(matrix / np.outer(unit, unit))
    kept = values > SMALLEST_EIGENVALUE
    along = vectors[:, kept].T @ (vector / unit)
    return chi_square(float(np.sum(along**2 / values[kept])), int(kept.sum()))
