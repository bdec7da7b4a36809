"""The mean of a count, or the chance of an event, on a design, with rows in clusters."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from analytics.stats.links import LOG_LINEAR, LOGISTIC
from analytics.stats.marginal import MarginalFit, prepare, solve


def log_linear(
    count: ArrayLike,
    design: ArrayLike,
    *,
    cluster: ArrayLike | None = None,
    exposure: ArrayLike | None = None,
    exchangeable: bool = True,
) -> MarginalFit:
    """Log-linear mean of a count with cluster-robust errors, whatever its dispersion.

    Parameters
    ----------
    count
        One non-negative count per row; missing values are refused.
    design
        Rows by columns, the constant included.
    cluster
        Label per row; each row is its own cluster when not given.
    exposure
        Positive size of each row that the mean is proportional to; 1 when not given.
    exchangeable
        Weigh rows by a common correlation within clusters; otherwise as independent.

    Returns
    -------
    MarginalFit
        Exponentiated coefficients are rate ratios. ``plain_covariance`` is the Poisson one, to
        show how far an interval that assumes variance = mean would be off.

    Raises
    ------
    NotEstimableError
        ``missing_values``, ``missing_cluster``, ``outcome_out_of_range``, ``too_few_rows``,
        ``constant_column`` (all zero), ``collinear_design``, ``no_events``, ``one_cluster``,
        ``separation`` or ``no_convergence``, with the counts found.

    Notes
    -----
    Liang & Zeger 1986, Biometrika 73:13; with fewer than 50 clusters their leverage is taken
    out (`analytics.stats.few_clusters`). Above, equal to R's ``gee`` with
    `analytics.stats.marginal.uncorrected`, and to ``vcovCL(type = "HC1")`` when independent.
    """
    offset = None if exposure is None else np.log(np.asarray(exposure, float))
    rows = prepare(LOG_LINEAR, count, design, cluster=cluster, offset=offset)
    return solve(rows, exchangeable=exchangeable)


def logistic(
    event: ArrayLike,
    design: ArrayLike,
    *,
    cluster: ArrayLike | None = None,
    exchangeable: bool = True,
) -> MarginalFit:
    """Log-odds of an event on a design with cluster-robust errors.

    Parameters, returns and errors as in `log_linear`, the outcome being 0 or 1 (or a
    proportion between); ``all_events`` is raised where every row has the event, and
    ``separation`` where a combination of columns tells events from the rest without error.
    """
    rows = prepare(LOGISTIC, event, design, cluster=cluster)
    return solve(rows, exchangeable=exchangeable)
