"""Regression of a mean with errors that know which rows share a cluster.

One engine for the three links used: generalised estimating equations with an exchangeable or
an independent working correlation, in closed form, by sums over sorted clusters; no matrix
larger than rows by columns is made, so a million rows take about a second.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray
from scipy import stats

from analytics.errors import NotEstimableError
from analytics.stats.few_clusters import unshrunken_scores
from analytics.stats.links import Mean
from analytics.stats.proportions import Floats, Interval

FEW_CLUSTERS = 40  # below this the sandwich is known to run small; trade practice, no theorem
LEVERAGE_BELOW = 50  # clusters below which their own leverage is taken out of the sandwich
MAX_STEPS = 60
FREE_UPDATES = 15
HIGHEST_CORRELATION = 0.95
FAR_OUT = 12.0  # |linear predictor| that only separation reaches on a logit or log scale


@dataclass(frozen=True)
class MarginalFit:
    """A fitted mean; p coefficients, covariances p by p.

    ``covariance`` is the cluster-robust one: ``sandwich`` times C/(C-1) (n-1)/(n-p), or with
    fewer than 50 clusters the one corrected for leverage (Mancl & DeRouen 2001);
    ``model_covariance`` trusts the working correlation and the dispersion;
    ``plain_covariance`` is what a model of independent rows with dispersion 1 would report.
    ``dispersion`` is Pearson's, ``correlation`` the working one (0 under independence).
    """

    mean: Mean
    coefficients: Floats
    covariance: Floats
    sandwich: Floats
    model_covariance: Floats
    plain_covariance: Floats
    dispersion: float
    correlation: float
    n: int
    n_clusters: int

    @property
    def has_few_clusters(self) -> bool:
        """Whether the clusters are so few that the interval deserves a note."""
        return self.n_clusters < FEW_CLUSTERS

    @property
    def degrees(self) -> int:
        """Degrees of freedom of the t used for intervals: clusters less coefficients."""
        return max(self.n_clusters - self.coefficients.size, 1)


@dataclass(frozen=True)
class Problem:
    """Checked rows sorted by cluster; ``starts`` opens each cluster of ``sizes`` rows."""

    mean: Mean
    y: Floats
    design: Floats
    offset: Floats
    starts: NDArray[np.int64]
    sizes: Floats


@dataclass(frozen=True)
class _Standardised:
    """Pearson residuals, and the design times the slope of the mean over its deviation."""

    slopes: Floats
    residuals: Floats


def coefficient_interval(fit: MarginalFit, *, level: float = 0.95) -> Interval:
    """Coefficients with limits from the cluster-robust covariance and t on `degrees`."""
    half = _t(fit, level) * np.sqrt(np.diag(fit.covariance))
    return Interval(fit.coefficients, fit.coefficients - half, fit.coefficients + half)


def mean_at(fit: MarginalFit, rows: ArrayLike, *, level: float = 0.95) -> Interval:
    """Mean at given design rows (k by p), limits on the scale of the link and turned back."""
    x = np.atleast_2d(np.asarray(rows, float))
    eta = x @ fit.coefficients
    half = _t(fit, level) * np.sqrt(np.einsum("ij,jk,ik->i", x, fit.covariance, x))
    return Interval(*(fit.mean.inverse(part) for part in (eta, eta - half, eta + half)))


def prepare(
    mean: Mean,
    outcome: ArrayLike,
    design: ArrayLike,
    *,
    cluster: ArrayLike | None,
    offset: ArrayLike | None = None,
) -> Problem:
    """Check the rows and sort them by cluster; the errors are those of `log_linear`."""
    y, x = np.asarray(outcome, float), np.asarray(design, float)
    shift = np.zeros(y.size) if offset is None else np.asarray(offset, float)
    if n_bad := int((~(np.isfinite(y) & np.isfinite(shift) & np.isfinite(x).all(axis=1))).sum()):
        raise NotEstimableError("missing_values", n_rows=n_bad)
    if wrong := int(((y < 0) | (y > mean.highest)).sum()):
        raise NotEstimableError("outcome_out_of_range", n_rows=wrong)
    _check_information(mean, y, x)
    code = np.arange(y.size) if cluster is None else pd.factorize(pd.Series(cluster))[0]
    if (code < 0).any():
        raise NotEstimableError("missing_cluster", n_missing=int((code < 0).sum()))
    if np.any(np.diff(code) < 0):
        order = np.argsort(code, kind="stable")
        y, x, shift, code = y[order], x[order], shift[order], code[order]
    starts = np.flatnonzero(np.r_[True, np.diff(code) > 0])
    if starts.size < 2:
        raise NotEstimableError("one_cluster", n_clusters=int(starts.size), n_rows=y.size)
    sizes = np.diff(np.r_[starts, y.size]).astype(float)
    return Problem(mean, y, np.asfortranarray(x), shift, starts, sizes)


def _check_information(mean: Mean, y: Floats, x: Floats) -> None:
    n, p = x.shape
    if n <= p:
        raise NotEstimableError("too_few_rows", n_rows=n, n_coefficients=p)
    length = np.sqrt((x**2).sum(axis=0))
    if (length == 0).any():
        raise NotEstimableError("constant_column", column=int(np.argmin(length)))
    scaled = x.T @ x / np.outer(length, length)
    rank = int((np.linalg.eigvalsh(scaled) > 1e-11).sum())
    if rank < p:
        raise NotEstimableError("collinear_design", rank=rank, n_coefficients=p)
    if y.max() == 0:
        raise NotEstimableError("no_events", n_rows=n)
    if y.min() == mean.highest:
        raise NotEstimableError("all_events", n_rows=n)


def solve(problem: Problem, *, exchangeable: bool) -> MarginalFit:
    """Solve the estimating equations of prepared rows.

    Independent rows first (Fisher scoring), then, when asked and when clusters have more than
    one row, with the exchangeable correlation by moments: dispersion over n - p, correlation
    over the number of pairs less p, as R's ``gee`` and statsmodels (geepack differs by 1e-4),
    held at 0.95 or less. Liang & Zeger 1986, Biometrika 73:13.
    """
    beta, alpha = _iterate(problem, _start(problem), exchangeable=False)
    _refuse_separation(problem, beta)
    plain = rows = _standardised(problem, beta)
    if exchangeable and problem.sizes.max() > 1:
        beta, alpha = _iterate(problem, beta, exchangeable=True)
        rows = _standardised(problem, beta)
    (n, p), n_clusters = problem.design.shape, problem.sizes.size
    bread = np.linalg.inv(_information(problem, rows, alpha)[0])
    scores = _cluster_scores(problem, rows, alpha)
    sandwich = bread @ (scores.T @ scores) @ bread
    robust = n_clusters / (n_clusters - 1) * (n - 1) / (n - p) * sandwich
    if n_clusters < LEVERAGE_BELOW:
        freed = unshrunken_scores(scores, _cluster_information(problem, rows, alpha), bread)
        robust = bread @ (freed.T @ freed) @ bread
    dispersion = float((rows.residuals**2).sum() / (n - p))
    return MarginalFit(
        problem.mean, beta, robust, sandwich, dispersion * bread,
        np.linalg.inv(plain.slopes.T @ plain.slopes), dispersion, alpha, n, n_clusters,
    )  # fmt: skip


def uncorrected(fit: MarginalFit) -> MarginalFit:
    """The same fit with the sandwich as Liang and Zeger wrote it, without any correction."""
    return replace(fit, covariance=fit.sandwich)


def _start(problem: Problem) -> Floats:
    mean, y = problem.mean, problem.y
    middle = mean.link((y + y.mean()) / 2) - problem.offset
    return np.linalg.solve(problem.design.T @ problem.design, problem.design.T @ middle)


def _iterate(problem: Problem, beta: Floats, *, exchangeable: bool) -> tuple[Floats, float]:
    alpha, before = 0.0, np.zeros_like(beta)
    for position in range(MAX_STEPS):
        rows = _standardised(problem, beta)
        # With few pairs the two updates can chase each other for ever; the equations are
        # unbiased at any fixed correlation, so it is held after a while.
        if exchangeable and position < FREE_UPDATES:
            alpha = _correlation(problem, rows.residuals)
        information, score = _information(problem, rows, alpha)
        try:
            step = np.linalg.solve(information, score)
        except np.linalg.LinAlgError:
            break
        # A step back over the last one overshoots: with a link that is not canonical, for ever.
        step = step / 2 if before @ step < 0 else step
        beta, before = beta + step, step
        if not np.isfinite(beta).all():
            break
        if np.abs(step).max() < 1e-10 * (1 + np.abs(beta).max()):
            return beta, alpha
    raise _why_no_solution(problem, beta)


def _refuse_separation(problem: Problem, beta: Floats) -> None:
    """Raise where steps only ended because every mean has run into one of its limits."""
    if problem.mean.highest == 1 and (np.abs(problem.design @ beta) > FAR_OUT).all():
        raise _why_no_solution(problem, beta)


def _why_no_solution(problem: Problem, beta: Floats) -> NotEstimableError:
    eta = problem.design @ np.nan_to_num(beta)
    n_far = int((np.abs(eta) > FAR_OUT).sum())
    reason = "separation" if n_far else "no_convergence"
    return NotEstimableError(reason, n_rows=eta.size, n_rows_at_limit=n_far)


def _standardised(problem: Problem, beta: Floats) -> _Standardised:
    eta = problem.design @ beta + problem.offset
    with np.errstate(over="ignore", invalid="ignore", divide="ignore"):
        mu = problem.mean.inverse(eta)
        spread = np.sqrt(problem.mean.variance(mu))
        scale = problem.mean.slope(eta, mu) / spread
        residuals = (problem.y - mu) / spread
        is_sound = np.isfinite(scale @ residuals)
    if not is_sound:
        # A mean that has run into its limit carries no information on the coefficients.
        at_limit = ~(np.isfinite(scale) & np.isfinite(residuals))
        scale[at_limit], residuals[at_limit] = 0.0, 0.0
    return _Standardised(problem.design * scale[:, None], residuals)


def _information(problem: Problem, rows: _Standardised, alpha: float) -> tuple[Floats, Floats]:
    """Information matrix and score; the inverse of the correlation is known in closed form.

    For a cluster of m rows it is (I - k J) / (1 - alpha) with k = alpha / (1 + (m - 1) alpha).
    """
    z, r = rows.slopes, rows.residuals
    if not alpha:
        return z.T @ z, z.T @ r
    z_sum, pulled = _pulled(problem, rows, alpha)
    r_sum = np.add.reduceat(r, problem.starts)
    information = (z.T @ z - pulled.T @ z_sum) / (1 - alpha)
    return information, (z.T @ r - pulled.T @ r_sum) / (1 - alpha)


def _cluster_scores(problem: Problem, rows: _Standardised, alpha: float) -> Floats:
    z, r = rows.slopes, rows.residuals
    own = np.add.reduceat(z * r[:, None], problem.starts, axis=0)
    if not alpha:
        return own
    pulled = _pulled(problem, rows, alpha)[1]
    r_sum = np.add.reduceat(r, problem.starts)
    return (own - r_sum[:, None] * pulled) / (1 - alpha)


def _cluster_information(problem: Problem, rows: _Standardised, alpha: float) -> Floats:
    z = rows.slopes
    own = np.add.reduceat(z[:, :, None] * z[:, None, :], problem.starts, axis=0)
    z_sum, pulled = _pulled(problem, rows, alpha)
    return (own - z_sum[:, :, None] * pulled[:, None, :]) / (1 - alpha)


def _pulled(problem: Problem, rows: _Standardised, alpha: float) -> tuple[Floats, Floats]:
    z_sum = np.add.reduceat(rows.slopes, problem.starts, axis=0)
    pull = alpha / (1 + (problem.sizes - 1) * alpha)
    return z_sum, z_sum * pull[:, None]


def _correlation(problem: Problem, residuals: Floats) -> float:
    p, sizes = problem.design.shape[1], problem.sizes
    pairs = (sizes * (sizes - 1)).sum() / 2
    if pairs <= p:
        return 0.0
    squares = (residuals**2).sum()
    if squares == 0:
        return 0.0
    products = ((np.add.reduceat(residuals, problem.starts) ** 2).sum() - squares) / 2
    alpha = products / (pairs - p) / (squares / (residuals.size - p))
    # The correlation matrix of the largest cluster must stay positive definite; near 1 the
    # differences within clusters would outweigh all else.
    return float(np.clip(alpha, -0.95 / (sizes.max() - 1), HIGHEST_CORRELATION))


def _t(fit: MarginalFit, level: float) -> float:
    return float(stats.t.ppf((1 + level) / 2, fit.degrees))
