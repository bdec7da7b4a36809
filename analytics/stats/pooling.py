"""Combine estimates of the same quantity from several sources."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike
from scipy import stats

from analytics.errors import NotEstimableError
from analytics.stats.proportions import Floats

MAX_STEPS = 500


@dataclass(frozen=True)
class Pooled:
    """A common estimate with its limits.

    ``tau2`` is the variance between sources (0 for fixed effects), ``q`` Cochran's statistic on
    ``n_sources - 1`` degrees, ``i2`` the share of variation beyond chance (0 to 1).
    ``predicted_lower`` and ``predicted_upper`` bracket the value of a new source; NaN below
    three sources.
    """

    estimate: float
    se: float
    lower: float
    upper: float
    tau2: float
    q: float
    i2: float
    n_sources: int
    predicted_lower: float
    predicted_upper: float


def fixed_effect(estimate: ArrayLike, se: ArrayLike, *, level: float = 0.95) -> Pooled:
    """Mean weighted by inverse variances, all sources sharing one value.

    Parameters
    ----------
    estimate, se
        One per source, on a scale where they are about normal; missing values are refused.
    level
        Coverage wanted.

    Raises
    ------
    NotEstimableError
        ``missing_values``, ``standard_error_not_positive``, ``no_sources``.
    """
    y, v = _checked(estimate, se)
    return _pooled(y, v, 0.0, level)


def random_effects(
    estimate: ArrayLike,
    se: ArrayLike,
    *,
    method: Literal["DL", "REML"] = "REML",
    level: float = 0.95,
) -> Pooled:
    """Mean of sources that vary about it, weighted by inverse variances that include tau2.

    Parameters and errors as in `fixed_effect`, and ``one_source``. ``DL``: DerSimonian & Laird
    1986, Control Clin Trials 7:177. ``REML``: restricted maximum likelihood by Fisher scoring,
    Viechtbauer 2005, J Educ Behav Stat 30:261. Limits from the normal, as R's ``rma``;
    prediction limits from t on sources - 2: Higgins et al. 2009, J R Stat Soc A 172:137.
    """
    y, v = _checked(estimate, se)
    if y.size < 2:
        raise NotEstimableError("one_source", n_sources=int(y.size))
    start = _dersimonian_laird(y, v)
    return _pooled(y, v, start if method == "DL" else _restricted(y, v, start), level)


def pool_vectors(estimates: ArrayLike, covariances: ArrayLike) -> tuple[Floats, Floats]:
    """Fixed-effect mean of whole coefficient vectors.

    Parameters
    ----------
    estimates, covariances
        Sources by p, and sources by p by p.

    Returns
    -------
    estimate, covariance
        p, and p by p. Becker & Wu 2007, Stat Sci 22:414.
    """
    beta, covariance = np.asarray(estimates, float), np.asarray(covariances, float)
    if beta.size == 0:
        raise NotEstimableError("no_sources", n_sources=0)
    precision = np.linalg.inv(covariance)
    pooled = np.linalg.inv(precision.sum(axis=0))
    return pooled @ np.einsum("sij,sj->i", precision, beta), pooled


def log_odds(k: ArrayLike, n: ArrayLike) -> tuple[Floats, Floats]:
    """Log-odds of proportions and their standard errors, half added where a cell is empty."""
    k, n = np.asarray(k, float), np.asarray(n, float)
    empty = (k == 0) | (k == n)
    yes, no = k + empty / 2, n - k + empty / 2
    return np.log(yes / no), np.sqrt(1 / yes + 1 / no)


def _checked(estimate: ArrayLike, se: ArrayLike) -> tuple[Floats, Floats]:
    y, s = np.asarray(estimate, float), np.asarray(se, float)
    if y.size == 0:
        raise NotEstimableError("no_sources", n_sources=0)
    if n_missing := int((~(np.isfinite(y) & np.isfinite(s))).sum()):
        raise NotEstimableError("missing_values", n_sources=n_missing)
    if n_wrong := int((s <= 0).sum()):
        raise NotEstimableError("standard_error_not_positive", n_sources=n_wrong)
    return y, s**2


def _cochran(y: Floats, v: Floats) -> float:
    w = 1 / v
    return float((w * (y - (w * y).sum() / w.sum()) ** 2).sum())


def _dersimonian_laird(y: Floats, v: Floats) -> float:
    w = 1 / v
    scale = w.sum() - (w**2).sum() / w.sum()
    return max(0.0, (_cochran(y, v) - (y.size - 1)) / float(scale))


def _restricted(y: Floats, v: Floats, tau2: float) -> float:
    for _ in range(MAX_STEPS):
        w = 1 / (v + tau2)
        gap = y - (w * y).sum() / w.sum()
        square = float((w**2).sum())
        trace = float(w.sum() - square / w.sum())
        information = square - 2 * float((w**3).sum() / w.sum()) + (square / float(w.sum())) ** 2
        step = (float((w**2 * gap**2).sum()) - trace) / information
        new = max(0.0, tau2 + step)
        if abs(new - tau2) < 1e-12 * (1 + tau2):
            return new
        tau2 = new
    raise NotEstimableError("no_convergence", n_sources=int(y.size))


def _pooled(y: Floats, v: Floats, tau2: float, level: float) -> Pooled:
    w = 1 / (v + tau2)
    mean, se, k = float((w * y).sum() / w.sum()), float(w.sum() ** -0.5), y.size
    half = float(stats.norm.ppf((1 + level) / 2)) * se
    q = _cochran(y, v)
    reach = np.nan
    if k > 2:
        reach = float(stats.t.ppf((1 + level) / 2, k - 2) * np.sqrt(tau2 + se**2))
    i2 = max(0.0, 1 - (k - 1) / q) if q > 0 else 0.0
    return Pooled(mean, se, mean - half, mean + half, tau2, q, i2, k, mean - reach, mean + reach)
