"""A block of rows whose mean is regressed, sorted by cluster, and what each cluster says."""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from analytics.stats.links import Mean
from analytics.stats.proportions import Floats

#: Rows of a block that are worked on at a time, about.
ROWS_AT_ONCE = 50_000


@dataclass(frozen=True)
class Problem:
    """Checked rows sorted by cluster; ``starts`` opens each cluster of ``sizes`` rows.

    A block may have some of the columns of the whole design alone; ``columns`` says which.
    """

    mean: Mean
    y: Floats
    design: Floats
    offset: Floats
    starts: NDArray[np.int64]
    sizes: Floats
    columns: NDArray[np.int64] | None = None


@dataclass(frozen=True)
class Standardised:
    """Pearson residuals, and the design times the slope of the mean over its deviation."""

    slopes: Floats
    residuals: Floats


def as_block(
    mean: Mean,
    outcome: Floats,
    design: Floats,
    cluster: NDArray[np.int64],
    columns: NDArray[np.int64] | None = None,
) -> Problem:
    """Return rows as a block, sorted by their cluster; values are those of checked rows.

    Parameters
    ----------
    cluster
        Whole number of each row's cluster.
    columns
        Which columns of the whole design these are; all when not given.
    """
    if np.any(np.diff(cluster) < 0):
        order = np.argsort(cluster, kind="stable")
        outcome, design, cluster = outcome[order], design[order], cluster[order]
    starts = np.flatnonzero(np.r_[True, np.diff(cluster) > 0])
    sizes = np.diff(np.r_[starts, outcome.size]).astype(float)
    shift = np.zeros(outcome.size)
    return Problem(mean, outcome, np.asfortranarray(design), shift, starts, sizes, columns)


def in_slices(problem: Problem) -> list[Problem]:
    """Return a block as several of whole clusters, without a copy of a row.

    What a step makes of the rows is as large as their design; of a slice it is soon let go.
    """
    first = np.flatnonzero(np.diff(problem.starts // ROWS_AT_ONCE, prepend=-1))
    n_rows = problem.y.size
    slices = []
    for begin, end in pairwise([*first, problem.starts.size]):
        starts = problem.starts[begin:end]
        rows = slice(starts[0], problem.starts[end] if end < problem.starts.size else n_rows)
        slices.append(
            replace(
                problem,
                y=problem.y[rows],
                design=problem.design[rows],
                offset=problem.offset[rows],
                starts=starts - starts[0],
                sizes=problem.sizes[begin:end],
            )
        )
    return slices


def own_columns(block: Problem, beta: Floats) -> Floats:
    """Return the coefficients of the columns that a block has."""
    return beta if block.columns is None else beta[block.columns]


def standardise(problem: Problem, beta: Floats) -> Standardised:
    """Return residuals and slopes at coefficients of the whole design."""
    eta = problem.design @ own_columns(problem, beta) + problem.offset
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
    return Standardised(problem.design * scale[:, None], residuals)


def cluster_scores(problem: Problem, rows: Standardised, alpha: float) -> Floats:
    """Return the score of every cluster; clusters by the columns of the block."""
    z, r = rows.slopes, rows.residuals
    own = np.add.reduceat(z * r[:, None], problem.starts, axis=0)
    if not alpha:
        return own
    pulled = _pulled(problem, rows, alpha)[1]
    r_sum = np.add.reduceat(r, problem.starts)
    return (own - r_sum[:, None] * pulled) / (1 - alpha)


def cluster_information(problem: Problem, rows: Standardised, alpha: float) -> Floats:
    """Return the information of every cluster, in the columns of the block."""
    z = rows.slopes
    own = np.add.reduceat(z[:, :, None] * z[:, None, :], problem.starts, axis=0)
    z_sum, pulled = _pulled(problem, rows, alpha)
    return (own - z_sum[:, :, None] * pulled[:, None, :]) / (1 - alpha)


def _pulled(problem: Problem, rows: Standardised, alpha: float) -> tuple[Floats, Floats]:
    z_sum = np.add.reduceat(rows.slopes, problem.starts, axis=0)
    pull = alpha / (1 + (problem.sizes - 1) * alpha)
    return z_sum, z_sum * pull[:, None]
