"""Cox regression: ties, strata, delayed entry, spells, and errors robust to clusters."""

from __future__ import annotations

from dataclasses import dataclass, fields

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike
from scipy import stats as distributions

from analytics.errors import NotEstimableError
from analytics.stats.cox_summary import (
    CoxSummary,
    Place,
    Sizes,
    Ties,
    require_contrast,
    require_known_ties,
    summarise,
)
from analytics.stats.newton import Problem, maximise
from analytics.stats.partial_likelihood import State, clustered_scores, evaluate, information
from analytics.stats.partial_sums import Likelihood
from analytics.stats.risk_sets import RiskSets, find_risk_sets, tie_terms
from analytics.stats.spells import (
    Spells,
    as_design,
    as_strata,
    require_events,
    require_single_cause,
)


@dataclass(frozen=True, eq=False)
class CoxFit(CoxSummary):
    """A fitted proportional-hazards model.

    Parameters
    ----------
    martingale
        (n,) martingale residuals.
    spells, model, state, scale
        What the fit was made of, for the functions that take the fit further.
    """

    martingale: np.ndarray
    spells: Spells
    model: Likelihood
    state: State
    scale: Scale


@dataclass(frozen=True, slots=True, eq=False)
class Scale:
    """Centre and spread by which covariates were standardised."""

    centre: np.ndarray
    spread: np.ndarray


def cox(
    spells: Spells,
    covariates: pd.DataFrame | ArrayLike,
    *,
    strata: ArrayLike | None = None,
    ties: Ties = "efron",
) -> CoxFit:
    """Fit a proportional-hazards model by its partial likelihood.

    Cox (1972) J R Stat Soc B 34:187; robust variance of Lin and Wei (1989) J Am Stat Assoc
    84:1074, from score residuals that follow the rule for ties and the entry of every row, with
    no finite-sample factor, as R's ``coxph(..., cluster =)``.

    Parameters
    ----------
    spells
        Checked rows with event codes 0 and 1. A subject may have several rows, each on
        (entry, time] with its own covariates; give its label as the cluster.
    covariates
        (n, p) numbers; the columns of a frame give the names, else x1, x2, ...
    strata
        (n,) labels, each with a baseline hazard of its own.
    ties
        ``efron`` or ``breslow``.

    Returns
    -------
    CoxFit
        Coefficients, errors and tests.

    Raises
    ------
    NotEstimableError
        ``no_events``, ``constant_covariate``, ``no_contrast_at_events``,
        ``collinear_covariates``, ``separation``, ``not_converged``, ``unknown_ties``, with the
        covariate and counts.
    """
    require_single_cause(spells)
    layers = None if strata is None else as_strata(strata, n=len(spells.time))
    require_events(spells)
    return fit_partial(spells, covariates, find_risk_sets(spells, layers), ties=ties)


def hazard_ratios(fit: CoxFit, *, conf_level: float = 0.95) -> pd.DataFrame:
    """Tabulate hazard ratios with limits.

    Parameters
    ----------
    fit
        A fitted model.
    conf_level
        Level of the limits.

    Returns
    -------
    pandas.DataFrame
        ``term``, ``coefficient``, ``se``, ``estimate`` (hazard ratio), ``lower``, ``upper``,
        ``p`` (Wald; Student's t where the clusters are few).
    """
    half = fit.critical(conf_level) * fit.se
    size = np.abs(fit.coefficients / fit.se)
    p = 2 * distributions.norm.sf(size)
    if "few_clusters" in fit.notes:
        p = 2 * distributions.t.sf(size, fit.n_clusters - 1)
    return pd.DataFrame(
        {
            "term": fit.names,
            "coefficient": fit.coefficients,
            "se": fit.se,
            "estimate": np.exp(fit.coefficients),
            "lower": np.exp(fit.coefficients - half),
            "upper": np.exp(fit.coefficients + half),
            "p": p,
        }
    )


def fit_partial(
    spells: Spells, covariates: pd.DataFrame | ArrayLike, sets: RiskSets, *, ties: Ties
) -> CoxFit:
    """Maximise the partial likelihood over given risk sets; see :func:`cox`.

    Parameters
    ----------
    spells
        Checked rows; code 1 is the event.
    covariates
        (n, p) numbers.
    sets
        Risk sets of the rows.
    ties
        ``efron`` or ``breslow``.

    Returns
    -------
    CoxFit
        Coefficients, errors and tests.
    """
    require_known_ties(ties)
    values, names = as_design(covariates, n=len(spells.time))
    counts = {"n_rows": len(spells.time), "n_events": int(sets.is_event.sum())}
    model, scale = _standardised(spells, values, names, sets=sets, ties=ties)
    if not find_survivors(sets):
        raise NotEstimableError("no_contrast_at_events", **counts)
    null = evaluate(model, np.zeros(len(names)))
    at_null = information(model, null)
    require_contrast(at_null, names, counts)
    problem = Problem(
        lambda at: evaluate(model, at), lambda state: information(model, state), names, counts
    )
    top, state = maximise(problem, np.zeros(len(names)))
    sizes = Sizes(
        n=len(spells.time),
        n_events=counts["n_events"],
        n_clusters=spells.n_clusters,
        n_strata=len(np.unique(sets.stratum)),
        is_clustered=spells.cluster is not None,
    )
    places = (
        Place(np.zeros(len(names)), null.log_likelihood, null.score, at_null,
              _products(spells, model, null)),
        Place(top, state.log_likelihood, state.score, information(model, state),
              _products(spells, model, state)),
    )  # fmt: skip
    said = summarise(names, scale.spread, sizes, places, ties)
    held = {part.name: getattr(said, part.name) for part in fields(said)}
    return CoxFit(
        **held,
        martingale=state.martingale,
        spells=spells,
        model=model,
        state=state,
        scale=scale,
    )


def _products(spells: Spells, model: Likelihood, state: State) -> np.ndarray | None:
    if spells.cluster is None and spells.weights is None:
        return None
    scores = clustered_scores(model, state, spells.units)
    return scores.T @ scores


def _standardised(
    spells: Spells, values: np.ndarray, names: tuple[str, ...], *, sets: RiskSets, ties: Ties
) -> tuple[Likelihood, Scale]:
    for name, column in zip(names, values.T, strict=True):
        if column.min() == column.max():
            raise NotEstimableError(
                "constant_covariate", covariate=name, value=float(column[0]), n_rows=len(column)
            )
    centre, spread = values.mean(axis=0), values.std(axis=0)
    terms = tie_terms(sets, spells.weights, ties=ties)
    design = np.empty_like(values, order="F")
    for j, column in enumerate(values.T):
        design[:, j] = (column - centre[j]) / spread[j]
    return Likelihood(design, spells.weights, sets, terms), Scale(centre, spread)


def find_survivors(sets: RiskSets) -> bool:
    """Return whether anybody at risk outlives an event; else there is nobody to compare with."""
    own = np.bincount(sets.closed[sets.is_event] - 1, minlength=len(sets.times))
    return bool((sets.sum_over_rows(np.ones(len(sets.closed))) > own + 0.5).any())
