"""Cox regression: ties, strata, delayed entry, spells, and errors robust to clusters."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike
from scipy import stats as distributions

from analytics.errors import NotEstimableError
from analytics.stats.chi_square import ChiSquare, chi_square, quadratic_form
from analytics.stats.newton import Problem, maximise
from analytics.stats.partial_likelihood import (
    Likelihood,
    State,
    clustered_scores,
    evaluate,
    information,
)
from analytics.stats.risk_sets import RiskSets, find_risk_sets, tie_terms
from analytics.stats.spells import (
    Spells,
    as_design,
    as_strata,
    critical_value,
    has_few_clusters,
    require_events,
    require_single_cause,
)

Ties = Literal["efron", "breslow"]


@dataclass(frozen=True, slots=True, eq=False)
class CoxFit:
    """A fitted proportional-hazards model.

    Parameters
    ----------
    names
        The p covariates.
    coefficients, se, se_naive
        (p,) log hazard ratios; ``se`` is cluster-robust (or row-robust, when weighted), else
        equal to ``se_naive``, the root of the inverse information.
    covariance, covariance_naive
        (p, p).
    log_likelihood, log_likelihood_null
        Log partial likelihood at the coefficients and at 0.
    likelihood_ratio, wald, score
        Tests of no effect at all; ``wald`` uses ``covariance``, the other two take rows as
        independent.
    robust_score
        Score test by clusters; ``None`` when ``se`` is naive.
    martingale
        (n,) martingale residuals.
    n, n_events, n_clusters, n_strata
        Rows, events, clusters (rows when not clustered), strata.
    ties
        Rule for ties.
    notes
        Stable codes: ``few_clusters`` (tests and limits of single terms by Student's t).
    spells, model, state, scale
        What the fit was made of, for the functions that take the fit further.
    """

    names: tuple[str, ...]
    coefficients: np.ndarray
    se: np.ndarray
    se_naive: np.ndarray
    covariance: np.ndarray
    covariance_naive: np.ndarray
    log_likelihood: float
    log_likelihood_null: float
    likelihood_ratio: ChiSquare
    wald: ChiSquare
    score: ChiSquare
    robust_score: ChiSquare | None
    martingale: np.ndarray
    n: int
    n_events: int
    n_clusters: int
    n_strata: int
    ties: Ties
    notes: tuple[str, ...]
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
    half = critical_value(conf_level, fit.spells) * fit.se
    size = np.abs(fit.coefficients / fit.se)
    p = 2 * distributions.norm.sf(size)
    if has_few_clusters(fit.spells):
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
    if ties not in ("efron", "breslow"):
        raise NotEstimableError("unknown_ties", ties=ties)
    values, names = as_design(covariates, n=len(spells.time))
    counts = {"n_rows": len(spells.time), "n_events": int(sets.is_event.sum())}
    model, scale = _standardised(spells, values, names, sets=sets, ties=ties)
    _require_survivors(sets, counts)
    null = evaluate(model, np.zeros(len(names)))
    at_null = information(model, null)
    _require_contrast(at_null, names, counts)
    problem = Problem(
        lambda at: evaluate(model, at), lambda state: information(model, state), names, counts
    )
    coefficients, state = maximise(problem, np.zeros(len(names)))
    return _described(
        _Solved(spells, names, model, scale, coefficients, state), null, at_null, ties
    )


@dataclass(frozen=True, slots=True, eq=False)
class _Solved:
    spells: Spells
    names: tuple[str, ...]
    model: Likelihood
    scale: Scale
    coefficients: np.ndarray
    state: State


def _described(solved: _Solved, null: State, at_null: np.ndarray, ties: Ties) -> CoxFit:
    spells, model, spread = solved.spells, solved.model, solved.scale.spread
    naive = np.linalg.inv(information(model, solved.state))
    robust, robust_score = naive, None
    df = len(solved.names)
    if spells.cluster is not None or spells.weights is not None:
        scores = clustered_scores(model, solved.state, spells.units)
        robust = naive @ (scores.T @ scores) @ naive
        first = clustered_scores(model, null, spells.units)
        robust_score = quadratic_form(null.score, first.T @ first)
    outer = np.outer(spread, spread)
    gain = 2 * (solved.state.log_likelihood - null.log_likelihood)
    return CoxFit(
        names=solved.names,
        coefficients=solved.coefficients / spread,
        se=np.sqrt(np.diag(robust)) / spread,
        se_naive=np.sqrt(np.diag(naive)) / spread,
        covariance=robust / outer,
        covariance_naive=naive / outer,
        log_likelihood=solved.state.log_likelihood,
        log_likelihood_null=null.log_likelihood,
        likelihood_ratio=chi_square(gain, df),
        wald=quadratic_form(solved.coefficients, robust),
        score=quadratic_form(null.score, at_null),
        robust_score=robust_score,
        martingale=solved.state.martingale,
        n=len(spells.time),
        n_events=int(model.sets.is_event.sum()),
        n_clusters=spells.n_clusters,
        n_strata=len(np.unique(model.sets.stratum)),
        ties=ties,
        notes=("few_clusters",) if has_few_clusters(spells) else (),
        spells=spells,
        model=model,
        state=solved.state,
        scale=solved.scale,
    )


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


def _require_survivors(sets: RiskSets, counts: dict[str, int]) -> None:
    # Where all at risk have the event at once there is nobody to compare them with.
    own = np.bincount(sets.closed[sets.is_event] - 1, minlength=len(sets.times))
    if not (sets.sum_over_rows(np.ones(len(sets.closed))) > own + 0.5).any():
        raise NotEstimableError("no_contrast_at_events", **counts)


def _require_contrast(at_null: np.ndarray, names: tuple[str, ...], counts: dict[str, int]) -> None:
    own = np.diag(at_null)
    flat = np.flatnonzero(own <= 1e-10 * counts["n_events"])
    if len(flat):
        raise NotEstimableError("no_contrast_at_events", covariate=names[flat[0]], **counts)
    alike = at_null / np.sqrt(np.outer(own, own))
    values, vectors = np.linalg.eigh(alike)
    if values[0] < 1e-10:
        tied = np.flatnonzero(np.abs(vectors[:, 0]) > 1e-3)
        named = ", ".join(names[j] for j in tied)
        raise NotEstimableError("collinear_covariates", covariates=named, **counts)
