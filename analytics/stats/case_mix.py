"""What to expect of each row, given its covariates, from a model kept from running away."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike
from scipy import special

from analytics.errors import NotEstimableError
from analytics.stats.counts import logistic
from analytics.stats.marginal import MarginalFit
from analytics.stats.proportions import Floats, wilson

MAX_STEPS = 100


@dataclass(frozen=True)
class ShrunkenLogistic:
    """Coefficients (the constant first) and the chance of each row; chances sum to the events."""

    coefficients: Floats
    chance: Floats


def shrunken_logistic(
    event: ArrayLike, covariates: ArrayLike, *, prior_sd: float = 1.0
) -> ShrunkenLogistic:
    """Logistic regression with each covariate's log-odds pulled towards nought.

    Parameters
    ----------
    event
        0 or 1 per row.
    covariates
        Rows by columns, without a constant; a constant column is given the coefficient 0.
    prior_sd
        Standard deviation of a normal prior on the log-odds per standard deviation of each
        column; large values approach ordinary logistic regression.

    Returns
    -------
    ShrunkenLogistic
        The constant is not pulled, so that expected and observed events agree in total; it
        exists under separation, where ordinary regression does not.

    Raises
    ------
    NotEstimableError
        ``missing_values``, ``no_events``, ``all_events``.

    Notes
    -----
    Ridge regression: le Cessie & van Houwelingen 1992, Appl Stat 41:191.
    """
    y, x = np.asarray(event, float), np.asarray(covariates, float)
    if n_bad := int((~(np.isfinite(y) & np.isfinite(x).all(axis=1))).sum()):
        raise NotEstimableError("missing_values", n_rows=n_bad)
    if y.sum() in (0, y.size):
        raise NotEstimableError("no_events" if y.sum() == 0 else "all_events", n_rows=y.size)
    centre, spread = x.mean(axis=0), x.std(axis=0)
    spread = np.where(spread > 0, spread, 1.0)
    design = np.column_stack([np.ones(y.size), (x - centre) / spread])
    penalty = np.diag(np.r_[0.0, np.full(x.shape[1], prior_sd**-2)])
    beta = _ridge(y, design, penalty)
    slopes = beta[1:] / spread
    chance = special.expit(design @ beta)
    return ShrunkenLogistic(np.r_[beta[0] - slopes @ centre, slopes], chance)


def _ridge(y: Floats, design: Floats, penalty: Floats) -> Floats:
    beta = np.zeros(design.shape[1])
    beta[0] = special.logit(y.mean())
    for _ in range(MAX_STEPS):
        chance = special.expit(design @ beta)
        information = (design * (chance * (1 - chance))[:, None]).T @ design + penalty
        step = np.linalg.solve(information, design.T @ (y - chance) - penalty @ beta)
        beta = beta + step / max(1.0, float(np.abs(step).max()) / 2)
        if np.abs(step).max() < 1e-10:
            return beta
    raise NotEstimableError("no_convergence", n_rows=y.size)


def calibration_table(event: ArrayLike, chance: ArrayLike, *, n_bins: int = 10) -> pd.DataFrame:
    """Observed share of events beside the predicted one, in bins of equal size by chance.

    Returns
    -------
    pandas.DataFrame
        n, predicted (mean chance), events, observed, lower, upper (Wilson, rows taken as
        independent); rows of equal chance stay together, so there may be fewer bins.
    """
    y, p = np.asarray(event, float), np.asarray(chance, float)
    bins = pd.qcut(p, n_bins, labels=False, duplicates="drop")
    code = pd.factorize(pd.Series(bins).fillna(0), sort=True)[0]
    n, events = np.bincount(code), np.bincount(code, y)
    limits = wilson(events, n)
    return pd.DataFrame(
        {
            "n": n,
            "predicted": np.bincount(code, p) / n,
            "events": events.astype(int),
            "observed": limits.estimate,
            "lower": limits.lower,
            "upper": limits.upper,
        }
    )


def calibration_line(
    event: ArrayLike, chance: ArrayLike, *, cluster: ArrayLike | None = None
) -> MarginalFit:
    """Logistic regression of the events on the log-odds predicted: ideal are 0 and 1.

    Cox 1958, Biometrika 45:562. A slope below 1 says that predictions are too extreme.
    """
    log_odds = special.logit(np.asarray(chance, float))
    return logistic(event, np.column_stack([np.ones(log_odds.size), log_odds]), cluster=cluster)
