"""Weights that let feet still in care stand for those lost that were like them."""

from __future__ import annotations

import numpy as np
import pandas as pd

from analytics.analyses.design import Covariate, build_design
from analytics.analyses.followed import EVENT
from analytics.courses.cohort import Cohort
from analytics.errors import NotEstimableError
from analytics.stats.cox import CoxFit, cox
from analytics.stats.cox_checks import baseline_hazard
from analytics.stats.spells import Spells, as_spells

#: What goes with being lost and is known at the origin.
PREDICTORS = (
    Covariate("pirani_start"),
    Covariate("travel_minutes", per=60),
    Covariate("age_start_days", per=365.25),
)
STEP_DAYS = 91

#: A weight above this lets one foot speak for many: it is cut there (Cole & Hernan 2008).
LARGEST = 10.0


def weigh(cohort: Cohort, rows: pd.DataFrame) -> Spells:
    """Return spells of a quarter each, weighted by the inverse chance of still being in care.

    Parameters
    ----------
    cohort
        Feet at the cut-off.
    rows
        Followed feet, with ``time_days``, ``ended`` and the feet's columns.

    Returns
    -------
    Spells
        Rows on (entry, time] clustered by child. The weight of a spell is one over the chance,
        by a Cox model of loss on ``PREDICTORS`` with a baseline for each clinic, of not being
        lost before it begins (a clinic that lost nobody weighs all alike). Missing
        predictors take the middle of the others: they are only used to weigh.

    Raises
    ------
    NotEstimableError
        When nobody was lost, or the model of loss has no answer.
    """
    filled = _filled(rows)
    design = build_design(filled, PREDICTORS)
    time = design.rows["time_days"].to_numpy(dtype=float)
    is_lost = ((design.rows["ended"] == 0) & design.rows["status"].eq("lost")).to_numpy(dtype=bool)
    if not is_lost.any():
        raise NotEstimableError("nobody_lost", n_rows=len(time))
    fit = cox(
        as_spells(time, is_lost, cluster=design.rows["child"].to_numpy()),
        design.named,
        strata=design.rows["clinic"].to_numpy(),
    )
    n_spells = np.ceil(time / STEP_DAYS).astype(np.int64)
    row = np.repeat(np.arange(len(time)), n_spells)
    order = np.arange(len(row)) - np.repeat(np.cumsum(n_spells) - n_spells, n_spells)
    start = order * float(STEP_DAYS)
    stop = np.minimum(start + STEP_DAYS, time[row])
    is_last = order == n_spells[row] - 1
    is_event = (design.rows["ended"] == EVENT).to_numpy()[row] & is_last
    hazard = _hazards(fit, design.rows["clinic"].to_numpy()[row], start)
    ratio = np.exp(design.matrix @ fit.coefficients)
    weights = np.minimum(np.exp(hazard * ratio[row]), LARGEST)
    child = design.rows["child"].to_numpy()[row]
    return as_spells(stop, is_event, entry=start, cluster=child, weights=weights)


def _filled(rows: pd.DataFrame) -> pd.DataFrame:
    numbers = ["pirani_start", "travel_minutes", "age_start_days"]
    values = rows[numbers].astype("Float64")
    middle = {
        name: values[name].dropna().median() if len(values[name].dropna()) else 0.0
        for name in numbers
    }
    return rows.assign(**{name: values[name].fillna(middle[name]) for name in numbers})


def _hazards(fit: CoxFit, clinic: np.ndarray, start: np.ndarray) -> np.ndarray:
    """Return the cumulative hazard of loss before each start, at predictors of zero."""
    total = np.zeros(len(start))
    for stratum, name in enumerate(np.unique(clinic)):
        try:
            steps = baseline_hazard(fit, np.zeros(len(fit.names)), stratum=stratum)
        except NotEstimableError:
            continue  # this clinic lost nobody
        own = clinic == name
        at = np.searchsorted(steps["time"].to_numpy(), start[own], side="right")
        total[own] = np.append(0.0, steps["cumulative_hazard"].to_numpy())[at]
    return total
