"""Subdistribution hazards of one cause among several, by weights rather than longer data."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike

from analytics.errors import NotEstimableError
from analytics.stats.at_risk import count_at_risk
from analytics.stats.cox import CoxFit, fit_partial
from analytics.stats.cox_summary import Ties
from analytics.stats.risk_sets import LateStay, RiskSets, find_risk_sets
from analytics.stats.spells import Spells, require_events


def fine_gray(
    spells: Spells,
    covariates: pd.DataFrame | ArrayLike,
    *,
    cause: int = 1,
    ties: Ties = "efron",
) -> CoxFit:
    """Fit a proportional model for the subdistribution hazard of one cause.

    Fine and Gray (1999) J Am Stat Assoc 94:496: a row that ended by another cause at T stays in
    the later risk sets with weight G(t-) / G(T-), where G is the product-limit survival of
    censoring, an event at a tie coming before it. Robust errors by cluster (row, without
    clusters) that take G as known, as R's ``finegray`` with ``coxph``; cmprsk's ``crr`` adds
    the error of G and handles its ties otherwise (fourth figure).

    Parameters
    ----------
    spells
        Checked rows from the origin (no entry), unweighted, with event codes 0, 1, 2, ...
    covariates
        (n, p) numbers, constant in time.
    cause
        Code of the cause of interest.
    ties
        ``efron`` or ``breslow``.

    Returns
    -------
    CoxFit
        Coefficients are log subdistribution hazard ratios; ``se_naive`` ignores the weights'
        dependence and is there for comparison alone.

    Raises
    ------
    NotEstimableError
        ``entry_not_supported``, ``weights_not_supported``, and those of
        :func:`analytics.stats.cox.cox`.
    """
    if spells.entry is not None:
        raise NotEstimableError("entry_not_supported", n_rows=len(spells.time))
    if spells.weights is not None:
        raise NotEstimableError("weights_not_supported", n_rows=len(spells.time))
    wanted = replace(spells, event=(spells.event == cause).astype(np.int64), cluster=spells.units)
    require_events(wanted)
    late = (spells.event > 0) & (spells.event != cause)
    sets = _with_late_stay(spells, find_risk_sets(wanted), late)
    return fit_partial(wanted, covariates, sets, ties=ties)


def uncensored_before(spells: Spells) -> tuple[np.ndarray, np.ndarray]:
    """Return distinct ends of rows, and the chance of not being censored before each.

    Parameters
    ----------
    spells
        Checked rows with event codes 0, 1, 2, ...

    Returns
    -------
    tuple of numpy.ndarray
        (T,) times and (T,) product-limit survival of censoring just before each, an event at a
        tie coming before the censoring.
    """
    counts = count_at_risk(spells, n_causes=int(spells.event.max()))
    ended = counts.ended[:, 1:].sum(axis=1)
    open_to_censoring = counts.at_risk - ended
    censored = counts.ended[:, 0]
    share = np.divide(
        censored, open_to_censoring, out=np.zeros_like(censored), where=open_to_censoring > 0
    )
    return counts.times, np.append(1.0, np.cumprod(1 - share)[:-1])


def _with_late_stay(spells: Spells, sets: RiskSets, late: np.ndarray) -> RiskSets:
    times, before = uncensored_before(spells)
    own = before[np.searchsorted(times, spells.time)]
    # G(T-) is above 0 for every row: the row itself was still under observation before T.
    weight = np.where(late, 1 / own, 0.0)
    return replace(sets, late=LateStay(weight, before[np.searchsorted(times, sets.times)]))
