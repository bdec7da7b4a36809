"""What a fitted Cox model is asked next: are hazards proportional, and what survival follows."""

from __future__ import annotations

from typing import Literal

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike
from scipy import stats as distributions

from analytics.errors import NotEstimableError
from analytics.stats.chi_square import quadratic_form
from analytics.stats.cox import CoxFit
from analytics.stats.partial_likelihood import State, information, score_residuals
from analytics.stats.partial_sums import Likelihood, mean_over_ties
from analytics.stats.spells import Spells, as_numbers
from analytics.stats.survival import product_limit

Transform = Literal["km", "rank", "identity"]


def proportionality(fit: CoxFit, *, transform: Transform = "km") -> pd.DataFrame:
    """Test whether each log hazard ratio drifts with time.

    Score test of adding covariate times g(time) to the model, Grambsch and Therneau (1994)
    Biometrika 81:515, in its exact form (R's ``cox.zph`` since survival 3.0; lifelines prints
    the earlier approximation). Takes the rows as independent even when the fit is clustered,
    as R does.

    Parameters
    ----------
    fit
        A fitted model.
    transform
        g(time): ``km`` 1 minus the survival just before (all strata together), ``rank`` of the
        time among all rows, ``identity`` the time.

    Returns
    -------
    pandas.DataFrame
        ``term``, ``chisq``, ``df``, ``p``: one line per covariate, then GLOBAL.

    Raises
    ------
    NotEstimableError
        ``unknown_transform``; ``one_event_time`` when time does not vary among the events.
    """
    g = _transformed(fit, transform)
    return drift_tests(fit.names, *sum_drift(fit.model, fit.state, g))


def sum_drift(model: Likelihood, state: State, g: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return what the tests rest on; it adds up over strata.

    Parameters
    ----------
    model, state
        The likelihood and its state.
    g
        (K,) function of time at each event point.

    Returns
    -------
    tuple of numpy.ndarray
        (p,) gradient by covariates times g, and the (3, p, p) information of the model, of both
        together, and of the added terms.
    """
    sets, terms = model.sets, model.terms
    own = sets.closed[sets.is_event] - 1
    pull = g[own] if model.weights is None else g[own] * model.weights[sets.is_event]
    score = pull @ model.design[sets.is_event] - (g[terms.point] * terms.weight) @ state.mean
    bent = [information(model, state, over) for over in (None, g, g**2)]
    return score, np.stack(bent)


def drift_tests(names: tuple[str, ...], score: np.ndarray, bent: np.ndarray) -> pd.DataFrame:
    """Return the score tests of drift from their sums.

    Parameters
    ----------
    names
        The p covariates.
    score
        (p,) gradient by the added terms.
    bent
        (3, p, p) information of the model, of both together, and of the added terms.

    Returns
    -------
    pandas.DataFrame
        As of :func:`proportionality`.
    """
    plain, mixed, added = bent
    rest = added - mixed.T @ np.linalg.solve(plain, mixed)
    single = [quadratic_form(score[[j]], rest[[j]][:, [j]]) for j in range(len(score))]
    tests = [*single, quadratic_form(score, rest)]
    return pd.DataFrame(
        {
            "term": [*names, "GLOBAL"],
            "chisq": [test.statistic for test in tests],
            "df": [test.degrees_of_freedom for test in tests],
            "p": [test.p for test in tests],
        }
    )


def baseline_hazard(fit: CoxFit, profile: ArrayLike, *, stratum: int = 0) -> pd.DataFrame:
    """Return the cumulative hazard of a profile at every event time of a stratum.

    Breslow's estimator, or Efron's where the fit used Efron's rule for ties.

    Parameters
    ----------
    fit
        A fitted model.
    profile
        (p,) covariates; zeros give the baseline.
    stratum
        Position of the stratum among the sorted labels.

    Returns
    -------
    pandas.DataFrame
        ``time``, ``cumulative_hazard``, ``survival``.
    """
    here, factor, _ = _profile(fit, profile, stratum)
    hazard = factor * np.cumsum(fit.state.hazard[here])
    return pd.DataFrame(
        {
            "time": fit.model.sets.times[here],
            "cumulative_hazard": hazard,
            "survival": np.exp(-hazard),
        }
    )


def predicted_survival(
    fit: CoxFit, profile: ArrayLike, times: ArrayLike, *, stratum: int = 0
) -> pd.DataFrame:
    """Return the survival that a fit predicts for a profile at given times.

    Naive error: Tsiatis (1981) Ann Stat 9:93 with the rule for ties of the fit, as R's
    ``survfit.coxph``. Clustered or weighted fits: the influence of each row on the cumulative
    hazard and on the coefficients together, summed within clusters.

    Parameters
    ----------
    fit
        A fitted model.
    profile
        (p,) covariates.
    times
        (k,) times; beyond the last time observed nothing is predicted.
    stratum
        Position of the stratum among the sorted labels.

    Returns
    -------
    pandas.DataFrame
        ``time``, ``estimate``, ``se``, ``beyond_follow_up``; NaN where the last is True.
    """
    at = as_numbers(times, "times")
    here, factor, unit = _profile(fit, profile, stratum)
    error = _clustered_error if fit.robust_score is not None else _naive_error
    estimate, se = np.full(len(at), np.nan), np.full(len(at), np.nan)
    beyond = at > _last_time(fit, stratum)
    for k in np.flatnonzero(~beyond):
        reached = here & (fit.model.sets.times <= at[k])
        estimate[k] = np.exp(-factor * fit.state.hazard[reached].sum())
        se[k] = estimate[k] * factor * error(fit, reached, unit)
    return pd.DataFrame({"time": at, "estimate": estimate, "se": se, "beyond_follow_up": beyond})


def _transformed(fit: CoxFit, transform: Transform) -> np.ndarray:
    spells, sets = fit.spells, fit.model.sets
    if transform == "identity":
        g = sets.times.astype(float)
    elif transform == "rank":
        g = np.zeros(len(sets.times))
        own = sets.closed[sets.is_event] - 1
        g[own] = distributions.rankdata(spells.time)[sets.is_event]
    elif transform == "km":
        alone = Spells(spells.time, spells.event, spells.entry, cluster=None, weights=None)
        curve = product_limit(alone)
        before = np.searchsorted(curve.times, sets.times, side="left")
        g = 1 - np.append(1.0, curve.estimate)[before]
    else:
        raise NotEstimableError("unknown_transform", transform=transform)
    if g.min() == g.max():
        raise NotEstimableError("one_event_time", n_events=fit.n_events)
    # The test does not depend on the centre; near the middle of g it loses fewest digits.
    return g - g[sets.closed[sets.is_event] - 1].mean()


def _profile(fit: CoxFit, profile: ArrayLike, stratum: int) -> tuple[np.ndarray, float, np.ndarray]:
    values = as_numbers(np.asarray(profile, dtype=float), "profile", n=len(fit.names))
    here = fit.model.sets.stratum == stratum
    if not here.any():
        raise NotEstimableError("no_events_in_stratum", stratum=stratum)
    unit = (values - fit.scale.centre) / fit.scale.spread
    factor = np.exp(unit @ (fit.coefficients * fit.scale.spread) - fit.state.shift)
    return here, float(factor), unit


def _last_time(fit: CoxFit, stratum: int) -> float:
    layers = fit.model.sets.row_stratum
    times = fit.spells.time if layers is None else fit.spells.time[layers == stratum]
    return float(times.max())


def _slope(fit: CoxFit, reached: np.ndarray, unit: np.ndarray) -> np.ndarray:
    # Derivative of the profile's cumulative hazard by the standardised coefficients.
    terms, state = fit.model.terms, fit.state
    step = reached[terms.point] * terms.weight / state.total
    return step @ (unit - state.mean)


def _naive_error(fit: CoxFit, reached: np.ndarray, unit: np.ndarray) -> float:
    terms, state = fit.model.terms, fit.state
    own = float(np.sum(reached[terms.point] * terms.weight / state.total**2))
    slope = _slope(fit, reached, unit)
    return float(np.sqrt(own + slope @ _inverse_information(fit) @ slope))


def _inverse_information(fit: CoxFit) -> np.ndarray:
    return fit.covariance_naive * np.outer(fit.scale.spread, fit.scale.spread)


def _clustered_error(fit: CoxFit, reached: np.ndarray, unit: np.ndarray) -> float:
    terms, state, sets = fit.model.terms, fit.state, fit.model.sets
    n_points = len(sets.times)
    spent = reached[terms.point] * terms.weight / state.total**2
    lost = np.bincount(terms.point, weights=spent, minlength=n_points)
    spared = np.bincount(terms.point, weights=spent * terms.fraction, minlength=n_points)
    own = mean_over_ties(terms, reached[terms.point] / state.total, n_points)
    influence = sets.at_own_event(own)
    influence -= state.risk * (sets.sum_along_time(lost) - sets.at_own_event(spared))
    if fit.spells.weights is not None:
        influence = influence * fit.spells.weights
    moved = _slope(fit, reached, unit) @ _inverse_information(fit)
    for j in range(len(fit.names)):
        influence = influence + moved[j] * score_residuals(fit.model, state, j)
    return float(np.sqrt(np.sum(np.bincount(fit.spells.units, weights=influence) ** 2)))
