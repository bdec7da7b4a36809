"""How many steps until completion, when some series are still unfinished.

Each unit takes steps 1, 2, ...; a series that ended without completion is censored after its
last step and still tells that completion had not come by then.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray
from scipy import stats

from analytics.errors import NotEstimableError
from analytics.stats.links import COMPLEMENTARY_LOG_LOG
from analytics.stats.marginal import MarginalFit, prepare, solve
from analytics.stats.proportions import Floats, Interval

NEVER = -1  # band of the steps at which no unit ever completed, before the first that did


@dataclass(frozen=True)
class StepModel:
    """A fitted hazard of completing at each step.

    ``fit`` has one coefficient per band of steps, then one per covariate (log hazard ratios).
    ``band_of_step`` holds the band of step 1, 2, ..., K, `NEVER` where the hazard is taken as
    nought; K is the last step taken by any unit, and nothing is said beyond it.
    """

    fit: MarginalFit
    band_of_step: NDArray[np.int64]
    n_units: int
    n_completed: int


def fit_steps(
    n_steps: ArrayLike,
    completed: ArrayLike,
    covariates: ArrayLike,
    *,
    cluster: ArrayLike | None = None,
    least_events: int = 5,
) -> StepModel:
    """Discrete-time proportional hazards by complementary log-log on one row per unit and step.

    Parameters
    ----------
    n_steps
        Whole number of steps each unit took; a unit with none says nothing and is left out.
    completed
        Whether the unit completed at its last step; otherwise it is censored after it.
    covariates
        Units by columns, without a constant; zero columns are allowed.
    cluster
        Label per unit; each unit is its own cluster when not given.
    least_events
        Neighbouring steps are joined into bands of a common hazard until each band holds this
        many completions.

    Returns
    -------
    StepModel

    Raises
    ------
    NotEstimableError
        ``not_whole_numbers``, ``no_events`` when no unit completed, or a reason of
        `analytics.stats.counts.log_linear`.

    Notes
    -----
    Prentice & Gloeckler 1978, Biometrics 34:57; errors clustered over all steps of a cluster.
    """
    steps, done = np.asarray(n_steps, float), np.asarray(completed, float)
    if n_bad := int((~((steps >= 0) & (steps == np.round(steps)))).sum()):
        raise NotEstimableError("not_whole_numbers", n_units=n_bad)
    if not done.any():
        raise NotEstimableError("no_events", n_units=steps.size)
    steps = steps.astype(np.int64)
    unit = np.repeat(np.arange(steps.size), steps)
    step = np.arange(unit.size) - np.repeat(np.cumsum(steps) - steps, steps) + 1
    event = (step == steps[unit]) * done[unit]
    tally = np.stack([np.bincount(step, weights=part)[1:] for part in (event, 1 - event)]).astype(
        float
    )
    bands = _bands(tally, least_events)
    kept = bands[step - 1] != NEVER
    unit, step, event = unit[kept], step[kept], event[kept]
    x = np.asarray(covariates, float).reshape(steps.size, -1)
    label = np.arange(steps.size) if cluster is None else np.asarray(cluster)
    design = _lay_out(bands[step - 1], x, unit)
    rows = prepare(COMPLEMENTARY_LOG_LOG, event, design, cluster=label[unit])
    fit = solve(rows, exchangeable=False)
    return StepModel(fit, bands, int((steps > 0).sum()), int(done.sum()))


def _lay_out(band: NDArray[np.int64], x: Floats, unit: NDArray[np.int64]) -> Floats:
    """Return a column for each band, then the covariates; by columns, so that none is copied."""
    n_bands = int(band.max()) + 1
    design = np.zeros((band.size, n_bands + x.shape[1]), order="F")
    design[np.arange(band.size), band] = 1
    for at in range(x.shape[1]):
        design[:, n_bands + at] = x[unit, at]
    return design


def _bands(tally: Floats, least_events: int) -> NDArray[np.int64]:
    """Band of each step from its completions and the units that went on (2 by K).

    A band is closed once it, and all that follows it, holds enough completions and somebody
    who went on: the last unit standing completes with certainty and has no finite hazard.
    """
    least = np.array([least_events, 1])
    after = tally[:, ::-1].cumsum(axis=1)[:, ::-1]
    bands = np.full(tally.shape[1], NEVER, dtype=np.int64)
    band, held = 0, np.zeros(2)
    for position in range(int(np.argmax(tally[0] > 0)), bands.size):
        if (held >= least).all() and (after[:, position] >= least).all():
            band, held = band + 1, np.zeros(2)
        bands[position] = band
        held += tally[:, position]
    return bands


def step_chances(model: StepModel, rows: ArrayLike, *, level: float = 0.95) -> pd.DataFrame:
    """Chance of completing at each step, and of not having completed by then.

    Parameters
    ----------
    model
        From `fit_steps`.
    rows
        Covariate rows, k by columns.
    level
        Coverage of the limits of ``not_yet``, made on the scale of log(-log).

    Returns
    -------
    pandas.DataFrame
        row, step (1 to K), chance, not_yet, lower, upper; k times K lines.
    """
    not_yet, slope = _survival(model, np.atleast_2d(np.asarray(rows, float)))
    total = -np.log(not_yet)
    variance = np.einsum("rki,ij,rkj->rk", slope, model.fit.covariance, slope)
    with np.errstate(divide="ignore", invalid="ignore"):
        half = np.where(total > 0, _t(model, level) * np.sqrt(variance) / total, 0.0)
    before = np.hstack([np.ones((total.shape[0], 1)), not_yet[:, :-1]])
    row, step = np.indices(total.shape)
    return pd.DataFrame(
        {
            "row": row.ravel(),
            "step": step.ravel() + 1,
            "chance": (before - not_yet).ravel(),
            "not_yet": not_yet.ravel(),
            "lower": np.exp(-total * np.exp(half)).ravel(),
            "upper": np.exp(-total * np.exp(-half)).ravel(),
        }
    )


def mean_steps(model: StepModel, rows: ArrayLike, *, level: float = 0.95) -> Interval:
    """Mean number of steps to completion, counted up to the last step K seen.

    Parameters as in `step_chances`. Units still not completed at K count as K: their share is
    ``not_yet`` at the last step of `step_chances`. Limits by the delta method on the logarithm.
    """
    not_yet, slope = _survival(model, np.atleast_2d(np.asarray(rows, float)))
    mean = 1 + not_yet[:, :-1].sum(axis=1)
    gradient = -(not_yet[:, :-1, None] * slope[:, :-1]).sum(axis=1)
    variance = np.einsum("ri,ij,rj->r", gradient, model.fit.covariance, gradient)
    half = _t(model, level) * np.sqrt(variance) / mean
    return Interval(mean, mean * np.exp(-half), mean * np.exp(half))


def _survival(model: StepModel, x: Floats) -> tuple[Floats, Floats]:
    """Survival, rows by steps, and the derivative of its cumulative hazard by coefficient."""
    bands = model.band_of_step
    n_bands, n_steps = int(bands.max()) + 1, bands.size
    indicator = np.eye(n_bands + 1)[bands][:, :n_bands]  # NEVER picks the column cut off
    columns = np.concatenate(
        [
            np.broadcast_to(indicator, (x.shape[0], n_steps, n_bands)),
            np.broadcast_to(x[:, None, :], (x.shape[0], n_steps, x.shape[1])),
        ],
        axis=2,
    )
    hazard = np.where(bands == NEVER, 0.0, np.exp(columns @ model.fit.coefficients))
    cumulative = np.cumsum(hazard, axis=1)
    return np.exp(-cumulative), np.cumsum(hazard[:, :, None] * columns, axis=1)


def _t(model: StepModel, level: float) -> float:
    return float(stats.t.ppf((1 + level) / 2, model.fit.degrees))
