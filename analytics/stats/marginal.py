"""Regression of a mean with errors that know which rows share a cluster.

One engine for the three links used: generalised estimating equations with an exchangeable or
an independent working correlation, in closed form, by sums over sorted clusters; no matrix
larger than rows by columns is made, so a million rows take about a second.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike
from scipy import stats

from analytics.errors import NotEstimableError
from analytics.stats.blocks import Each, in_blocks
from analytics.stats.bordered import Adder
from analytics.stats.few_clusters import unshrunken_scores
from analytics.stats.links import Mean
from analytics.stats.marginal_block import Problem, as_block, in_slices
from analytics.stats.marginal_sums import (
    Facts,
    Sums,
    add_products,
    add_sums,
    check_information,
    count_far,
    find_correlation,
    gather_facts,
    list_scores,
    project_middle,
    weigh,
)
from analytics.stats.proportions import Floats, Interval

FEW_CLUSTERS = 40  # below this the sandwich is known to run small; trade practice, no theorem
LEVERAGE_BELOW = 50  # clusters below which their own leverage is taken out of the sandwich
MAX_STEPS = 60
FREE_UPDATES = 15
FAR_OUT = 12.0  # |linear predictor| that only separation reaches on a logit or log scale


@dataclass(frozen=True)
class MarginalFit:
    """A fitted mean; p coefficients, covariances p by p, without the ``n_absorbed`` last columns.

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
    n_absorbed: int = 0

    @property
    def has_few_clusters(self) -> bool:
        """Whether the clusters are so few that the interval deserves a note."""
        return self.n_clusters < FEW_CLUSTERS

    @property
    def degrees(self) -> int:
        """Degrees of freedom of the t used for intervals: clusters less coefficients."""
        return max(self.n_clusters - self.coefficients.size - self.n_absorbed, 1)


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
    gram = Adder(x.shape[1], 0)
    gram.add(x.T @ x, None)
    look = (y.size, gram.total(), float(y.min(initial=np.inf)), float(y.max(initial=-np.inf)))
    check_information(mean, *look)
    code = np.arange(y.size) if cluster is None else pd.factorize(pd.Series(cluster))[0]
    if (code < 0).any():
        raise NotEstimableError("missing_cluster", n_missing=int((code < 0).sum()))
    if np.any(np.diff(code) < 0):
        order = np.argsort(code, kind="stable")
        y, x, shift, code = y[order], x[order], shift[order], code[order]
    block = replace(as_block(mean, y, x, code), offset=shift)
    if block.starts.size < 2:
        raise NotEstimableError("one_cluster", n_clusters=int(block.starts.size), n_rows=y.size)
    return block


def solve(problem: Problem, *, exchangeable: bool) -> MarginalFit:
    """Solve the estimating equations of prepared rows; see :func:`solve_over`."""
    return solve_over(
        in_blocks(in_slices(problem)),
        problem.mean,
        problem.design.shape[1],
        exchangeable=exchangeable,
    )


def solve_over(
    each: Each, mean: Mean, n_columns: int, *, exchangeable: bool, n_absorbed: int = 0
) -> MarginalFit:
    """Solve the estimating equations of rows in blocks.

    Independent rows first (Fisher scoring), then, when asked and when clusters have more than
    one row, with the exchangeable correlation by moments: dispersion over n - p, correlation
    over the number of pairs less p, as R's ``gee`` and statsmodels (geepack differs by 1e-4),
    held at 0.95 or less. Liang & Zeger 1986, Biometrika 73:13.

    Parameters
    ----------
    each
        Blocks of prepared rows.
    mean
        Link and variance.
    n_columns
        Columns p of the design, over all blocks.
    exchangeable
        Weigh rows by a common correlation within clusters.
    n_absorbed
        How many of the last columns are only adjusted for: levels of one factor.

    Raises
    ------
    NotEstimableError
        As :func:`analytics.stats.counts.log_linear`.
    """
    known = gather_facts(each, n_columns, n_absorbed)
    check_information(mean, known.n, known.gram, known.lowest, known.highest)
    if known.n_clusters < 2:
        raise NotEstimableError("one_cluster", n_clusters=known.n_clusters, n_rows=known.n)
    asked = _Asked(each, mean, known)
    beta, alpha, sums = _iterate(asked, _start(asked), exchangeable=False)
    _refuse_separation(asked, beta)
    plain = sums
    if exchangeable and known.sizes.max() > 1:
        beta, alpha, sums = _iterate(asked, beta, exchangeable=True)
    n, p, q, n_clusters = known.n, n_columns, n_columns - n_absorbed, known.n_clusters
    information, _ = weigh(sums, alpha)
    bread = information.inverse_lead()
    sandwich = add_products(each, beta, alpha, bread)
    robust = n_clusters / (n_clusters - 1) * (n - 1) / (n - p) * sandwich
    if n_clusters < LEVERAGE_BELOW:
        scores = list_scores(each, beta, alpha, n_columns)
        freed = unshrunken_scores(*scores, np.linalg.inv(information.dense())) @ bread.T
        robust = freed.T @ freed
    dispersion = sums.squares / (n - p)
    return MarginalFit(
        mean, beta[:q], robust, sandwich, dispersion * bread[:, :q],
        plain.information.inverse_lead()[:, :q], dispersion, alpha, n, n_clusters, n_absorbed,
    )  # fmt: skip


def uncorrected(fit: MarginalFit) -> MarginalFit:
    """The same fit with the sandwich as Liang and Zeger wrote it, without any correction."""
    return replace(fit, covariance=fit.sandwich)


@dataclass(frozen=True)
class _Asked:
    each: Each
    mean: Mean
    known: Facts


def _start(asked: _Asked) -> Floats:
    known = asked.known
    return known.gram.solve(project_middle(asked.each, known))


def _iterate(asked: _Asked, beta: Floats, *, exchangeable: bool) -> tuple[Floats, float, Sums]:
    """Return coefficients, correlation, and the sums at these coefficients."""
    alpha, before = 0.0, np.zeros_like(beta)
    for position in range(MAX_STEPS):
        sums = add_sums(asked.each, beta, asked.known, paired=exchangeable)
        # With few pairs the two updates can chase each other for ever; the equations are
        # unbiased at any fixed correlation, so it is held after a while.
        if exchangeable and position < FREE_UPDATES:
            alpha = find_correlation(sums, asked.known)
        information, score = weigh(sums, alpha)
        try:
            step = information.solve(score)
        except np.linalg.LinAlgError:
            break
        # A step back over the last one overshoots: with a link that is not canonical, for ever.
        step = step / 2 if before @ step < 0 else step
        beta, before = beta + step, step
        if not np.isfinite(beta).all():
            break
        if np.abs(step).max() < 1e-10 * (1 + np.abs(beta).max()):
            return beta, alpha, add_sums(asked.each, beta, asked.known, paired=exchangeable)
    raise _why_no_solution(asked, beta)


def _refuse_separation(asked: _Asked, beta: Floats) -> None:
    """Raise where steps only ended because every mean has run into one of its limits."""
    if asked.mean.highest == 1 and count_far(asked.each, beta, FAR_OUT) == asked.known.n:
        raise _why_no_solution(asked, beta)


def _why_no_solution(asked: _Asked, beta: Floats) -> NotEstimableError:
    n_far = count_far(asked.each, np.nan_to_num(beta), FAR_OUT)
    reason = "separation" if n_far else "no_convergence"
    return NotEstimableError(reason, n_rows=asked.known.n, n_rows_at_limit=n_far)


def _t(fit: MarginalFit, level: float) -> float:
    return float(stats.t.ppf((1 + level) / 2, fit.degrees))
