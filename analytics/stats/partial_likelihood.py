"""The partial likelihood and its derivatives, for Efron's and Breslow's rule for ties."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from analytics.stats.partial_sums import (
    Hazard,
    Likelihood,
    find_hazard,
    find_martingale,
    find_moments,
    find_pull,
    find_squares,
    per_term,
    residuals_at,
    squares_of_means,
    weighed_by,
)


@dataclass(frozen=True, slots=True, eq=False)
class State(Hazard):
    """The partial likelihood at given coefficients.

    Parameters
    ----------
    score
        (p,) gradient.
    risk, shift
        (n,) ``exp(linear predictor - shift)``; the shift keeps it from overflowing.
    martingale
        (n,) event minus expected event.
    """

    score: np.ndarray
    risk: np.ndarray
    shift: float
    martingale: np.ndarray


def evaluate(model: Likelihood, coefficients: np.ndarray) -> State:
    """Evaluate the log partial likelihood and its gradient.

    Efron (1977) J Am Stat Assoc 72:557, in the notation of Therneau and Grambsch (2000) ch. 3.3.
    The gradient is ``design' (weights * martingale)``.

    Parameters
    ----------
    model
        Design, risk sets and terms.
    coefficients
        (p,) on the scale of the design.

    Returns
    -------
    State
        Value, gradient and what later steps need.
    """
    predictor = model.design @ coefficients
    shift = float(predictor.max())
    moments = find_moments(model, predictor - shift)
    risk = np.exp(predictor - shift)
    found = find_hazard(model.terms, moments)
    if found is None:
        return _out_of_range(model, risk, shift)
    martingale = find_martingale(model, risk, found.hazard, found.hazard_at_tie)
    return State(
        log_likelihood=found.log_likelihood,
        score=model.design.T @ weighed_by(model, martingale),
        risk=risk,
        shift=shift,
        total=found.total,
        mean=found.mean,
        hazard=found.hazard,
        hazard_at_tie=found.hazard_at_tie,
        martingale=martingale,
    )


def _out_of_range(model: Likelihood, risk: np.ndarray, shift: float) -> State:
    # Risks so far apart that the smaller vanish: no likelihood, so that the step is cut short.
    n_terms, p = len(model.terms.point), model.design.shape[1]
    points = np.zeros(len(model.sets.times))
    return State(
        log_likelihood=-np.inf,
        score=np.zeros(p),
        risk=risk,
        shift=shift,
        total=np.zeros(n_terms),
        mean=np.zeros((n_terms, p)),
        hazard=points,
        hazard_at_tie=points,
        martingale=np.zeros(len(risk)),
    )


def information(model: Likelihood, state: State, over: np.ndarray | None = None) -> np.ndarray:
    """Return the observed information, or its sum with each point multiplied by ``over``.

    Sums of squares within risk sets need no pass per point: a row enters them with its risk
    times the cumulative hazard over its own stretch.

    Parameters
    ----------
    model, state
        The likelihood and its state.
    over
        (K,) multiplier per point; ``None`` means 1.

    Returns
    -------
    numpy.ndarray
        (p, p).
    """
    factor = np.ones(len(model.sets.times)) if over is None else over
    squares = find_squares(
        model, state.risk, hazard=state.hazard * factor, at_tie=state.hazard_at_tie * factor
    )
    return squares - squares_of_means(model.terms, state.mean, factor)


def bending(model: Likelihood, state: State) -> Callable[[np.ndarray], np.ndarray]:
    """Return what tells how much the score of every row falls as linear predictors move.

    ``design' bent(design v)`` is the information times v, at the cost of one pass over the rows;
    what does not depend on v is worked out here, once.

    Parameters
    ----------
    model, state
        The likelihood, unweighted, and its state.

    Returns
    -------
    Callable
        From (n,) changes of the linear predictors to (n,).
    """
    sets, terms = model.sets, model.terms
    n_points = len(sets.times)
    along = sets.sum_along_time(state.hazard) - sets.at_own_event(state.hazard_at_tie)
    rows = np.flatnonzero(sets.is_event)
    own = sets.closed[rows] - 1
    squared = state.total**2

    def bent(direction: np.ndarray) -> np.ndarray:
        moved = state.risk * direction
        tied = np.bincount(own, weights=moved[rows], minlength=n_points)
        step = terms.weight * per_term(terms, sets.sum_over_rows(moved), tied) / squared
        shared = sets.sum_along_time(np.bincount(terms.point, weights=step, minlength=n_points))
        at_tie = np.bincount(terms.point, weights=step * terms.fraction, minlength=n_points)
        shared[rows] -= at_tie[own]
        return state.risk * (along * direction - shared)

    return bent


def clustered_scores(model: Likelihood, state: State, units: np.ndarray) -> np.ndarray:
    """Sum the score residuals of the rows within each cluster.

    Therneau and Grambsch (2000) eq. 4.6 and ch. 4.4 for Efron's rule: the residual of a row is
    its integral of (covariates - mean in the risk set) over event minus expected event; at a tie
    each of the tied rows carries the mean over the tied terms.

    Parameters
    ----------
    model, state
        The likelihood and its state.
    units
        (n,) cluster of each row.

    Returns
    -------
    numpy.ndarray
        (clusters, p), adding up to the gradient.
    """
    residuals = (score_residuals(model, state, j) for j in range(model.design.shape[1]))
    return np.stack([np.bincount(units, weights=column) for column in residuals], axis=1)


def score_residuals(model: Likelihood, state: State, column: int) -> np.ndarray:
    """Return the weighted score residual of every row for one covariate; (n,)."""
    pull = find_pull(model.terms, state, column, len(model.sets.times))
    return residuals_at(model, state.risk, state.martingale, pull=pull, column=column)
