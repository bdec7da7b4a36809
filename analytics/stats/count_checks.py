"""Fitted count families side by side: criteria, frequencies and predicted means."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike
from scipy import stats

from analytics.errors import NotEstimableError
from analytics.stats.count_families import level_chances
from analytics.stats.count_fits import CountFit
from analytics.stats.proportions import Floats, Interval


def comparison_table(fits: Sequence[CountFit], *, column: int) -> pd.DataFrame:
    """Families side by side, best AIC first.

    Parameters
    ----------
    fits
        As from `analytics.stats.count_fits.compare_families`.
    column
        Position of the design column whose coefficient is shown.

    Returns
    -------
    pandas.DataFrame
        family, status, reason, fallback, n_parameters, log_likelihood, aic, dispersion,
        coefficient, se, robust_se; NaN where a family has none. The ordinal coefficient is a
        log-odds, the others are log rate ratios.
    """
    lines = [_line(fit, column) for fit in fits]
    return pd.DataFrame(lines).sort_values("aic", kind="stable", ignore_index=True)


def _line(fit: CountFit, column: int) -> dict[str, object]:
    at = int(fit.used[:column].sum())
    has_one = bool(fit.used[column])
    return {
        "family": fit.family.name,
        "status": fit.status,
        "reason": fit.reason,
        "fallback": fit.fallback,
        "n_parameters": int(fit.used.sum()) + fit.extra.size,
        "log_likelihood": fit.log_likelihood,
        "aic": fit.aic,
        "dispersion": fit.dispersion,
        "coefficient": fit.coefficients[column],
        "se": np.sqrt(fit.covariance[at, at]) if has_one else np.nan,
        "robust_se": np.sqrt(fit.robust_covariance[at, at]) if has_one else np.nan,
    }


def rootogram(fit: CountFit, count: ArrayLike, design: ArrayLike) -> pd.DataFrame:
    """Observed against expected frequency of each count, on the square-root scale.

    Parameters
    ----------
    fit
        A fit that did not fail (``fit_failed`` is raised otherwise).
    count, design
        The rows it was fitted to.

    Returns
    -------
    pandas.DataFrame
        value, observed, expected, gap (root of observed less root of expected); Kleiber &
        Zeileis 2016, Am Stat 70:296. Values run from the family's lowest to the largest seen.
    """
    _refuse_failed(fit)
    y = np.asarray(count, float)
    eta = np.asarray(design, float)[:, fit.used] @ fit.coefficients[fit.used]
    if fit.family.has_levels:
        values, expected = fit.levels, level_chances(eta, fit.extra).sum(axis=0)
    else:
        family = fit.fitted_family
        values = np.arange(family.lowest, y.max() + 1)
        expected = np.array(
            [np.exp(family.density(np.full(y.size, v), eta, fit.extra)[0]).sum() for v in values]
        )
    observed = np.bincount(np.searchsorted(values, y), minlength=values.size)
    gap = np.sqrt(observed) - np.sqrt(expected)
    return pd.DataFrame({"value": values, "observed": observed, "expected": expected, "gap": gap})


def predicted_count(fit: CountFit, rows: ArrayLike, *, level: float = 0.95) -> Interval:
    """Mean count at given design rows, limits by the delta method on the log of the mean.

    Parameters
    ----------
    fit
        A fit that did not fail.
    rows
        k by p, columns as in the design fitted.
    level
        Coverage wanted; t on clusters less parameters, from the cluster-robust covariance.

    Raises
    ------
    NotEstimableError
        ``fit_failed`` with the family's name.
    """
    _refuse_failed(fit)
    x = np.atleast_2d(np.asarray(rows, float))
    p = int(fit.used.sum())
    theta = np.r_[fit.coefficients[fit.used], fit.extra]
    moves = np.diag(1e-6 * (1 + np.abs(theta)))
    slopes = [
        (_log_mean(fit, x, theta + move) - _log_mean(fit, x, theta - move)) / (2 * move.max())
        for move in moves
    ]
    gradient = np.stack(slopes, axis=1)
    centre = _log_mean(fit, x, theta)
    variance = np.einsum("ij,jk,ik->i", gradient, fit.robust_covariance, gradient)
    quantile = stats.t.ppf((1 + level) / 2, max(fit.n_clusters - p, 1))
    half = quantile * np.sqrt(variance)
    return Interval(np.exp(centre), np.exp(centre - half), np.exp(centre + half))


def _log_mean(fit: CountFit, x: Floats, theta: Floats) -> Floats:
    eta, extra = x[:, fit.used] @ theta[: int(fit.used.sum())], theta[int(fit.used.sum()) :]
    if fit.family.has_levels:
        return np.log(level_chances(eta, extra) @ fit.levels)
    return np.log(fit.fitted_family.moments(eta, extra)[0])


def _refuse_failed(fit: CountFit) -> None:
    if fit.status == "failed":
        raise NotEstimableError("fit_failed", family=fit.family.name, cause=fit.reason)
