"""The partial likelihood and its derivatives, for Efron's and Breslow's rule for ties."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from analytics.stats.risk_sets import RiskSets, TieTerms

# Risks relative to the largest: hazards further apart than this are a coefficient running away.
SMALLEST_TOTAL = 1e-100
#: Rows of a block of the design.
BLOCK = 16_384


@dataclass(frozen=True, slots=True, eq=False)
class Likelihood:
    """What does not change while coefficients are sought.

    Parameters
    ----------
    design
        (n, p) covariates, centred and scaled.
    weights
        (n,) weights, or ``None``.
    sets, terms
        Risk sets and the terms of the partial likelihood.
    """

    design: np.ndarray
    weights: np.ndarray | None
    sets: RiskSets
    terms: TieTerms


@dataclass(frozen=True, slots=True, eq=False)
class State:
    """The partial likelihood at given coefficients.

    Parameters
    ----------
    log_likelihood, score
        Value and (p,) gradient.
    risk, shift
        (n,) ``exp(linear predictor - shift)``; the shift keeps it from overflowing.
    total, mean
        (L,) and (L, p): sum of the risks and mean of the covariates in each term.
    hazard, hazard_at_tie
        (K,) step of the cumulative hazard, and the part that tied rows are spared.
    martingale
        (n,) event minus expected event.
    """

    log_likelihood: float
    score: np.ndarray
    risk: np.ndarray
    shift: float
    total: np.ndarray
    mean: np.ndarray
    hazard: np.ndarray
    hazard_at_tie: np.ndarray
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
    sets, terms = model.sets, model.terms
    predictor = model.design @ coefficients
    shift = float(predictor.max())
    risk = np.exp(predictor - shift)
    weighed = _weighed(model, risk)
    total = _per_term(model, weighed)
    if not total.min() > SMALLEST_TOTAL:
        return _out_of_range(model, risk, shift)
    columns = [_per_term(model, weighed * column) / total for column in model.design.T]
    n_points = len(sets.times)
    step = terms.weight / total
    hazard = np.bincount(terms.point, weights=step, minlength=n_points)
    at_tie = np.bincount(terms.point, weights=step * terms.fraction, minlength=n_points)
    expected = risk * (sets.sum_along_time(hazard) - sets.at_own_event(at_tie))
    martingale = sets.is_event - expected
    events = _weighed(model, predictor - shift)[sets.is_event].sum()
    return State(
        log_likelihood=float(events - terms.weight @ np.log(total)),
        score=model.design.T @ _weighed(model, martingale),
        risk=risk,
        shift=shift,
        total=total,
        mean=np.stack(columns, axis=1),
        hazard=hazard,
        hazard_at_tie=at_tie,
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
    sets, terms = model.sets, model.terms
    factor = np.ones(len(sets.times)) if over is None else over
    along = sets.sum_along_time(state.hazard * factor)
    along -= sets.at_own_event(state.hazard_at_tie * factor)
    squares = _squares(model.design, _weighed(model, state.risk * along))
    of_means = (state.mean * (terms.weight * factor[terms.point])[:, None]).T @ state.mean
    return squares - of_means


def _squares(design: np.ndarray, weights: np.ndarray) -> np.ndarray:
    """Return ``design' diag(weights) design``, over blocks of rows that stay near the processor."""
    total = np.zeros((design.shape[1], design.shape[1]))
    for start in range(0, len(weights), BLOCK):
        rows = design[start : start + BLOCK]
        total += rows.T @ (rows * weights[start : start + BLOCK, None])
    return total


def bend(model: Likelihood, state: State, direction: np.ndarray) -> np.ndarray:
    """Return how much the score of every row falls as linear predictors move in a direction.

    ``design' bend(design v)`` is the information times v, at the cost of one pass over the rows.

    Parameters
    ----------
    model, state
        The likelihood, unweighted, and its state.
    direction
        (n,) change of the linear predictors.

    Returns
    -------
    numpy.ndarray
        (n,).
    """
    sets, terms = model.sets, model.terms
    n_points = len(sets.times)
    along = sets.sum_along_time(state.hazard) - sets.at_own_event(state.hazard_at_tie)
    step = terms.weight * _per_term(model, state.risk * direction) / state.total**2
    moved = np.bincount(terms.point, weights=step, minlength=n_points)
    at_tie = np.bincount(terms.point, weights=step * terms.fraction, minlength=n_points)
    shared = sets.sum_along_time(moved) - sets.at_own_event(at_tie)
    return state.risk * (along * direction - shared)


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
    sets, terms = model.sets, model.terms
    n_points = len(sets.times)
    mean = state.mean[:, column]
    step = terms.weight / state.total * mean
    moved = np.bincount(terms.point, weights=step, minlength=n_points)
    at_tie = np.bincount(terms.point, weights=step * terms.fraction, minlength=n_points)
    own = mean_over_ties(terms, mean, n_points)
    residual = model.design[:, column] * state.martingale - sets.at_own_event(own)
    residual += state.risk * (sets.sum_along_time(moved) - sets.at_own_event(at_tie))
    return _weighed(model, residual)


def mean_over_ties(terms: TieTerms, values: np.ndarray, n_points: int) -> np.ndarray:
    """Average (L,) values over the terms of each point; (K,)."""
    total = np.bincount(terms.point, weights=values, minlength=n_points)
    return total / np.bincount(terms.point, minlength=n_points)


def _weighed(model: Likelihood, values: np.ndarray) -> np.ndarray:
    return values if model.weights is None else values * model.weights


def _per_term(model: Likelihood, values: np.ndarray) -> np.ndarray:
    sets, terms = model.sets, model.terms
    at_risk = sets.sum_over_rows(values)
    if not terms.fraction.any():
        return at_risk[terms.point]
    own = sets.closed[sets.is_event] - 1
    tied = np.bincount(own, weights=values[sets.is_event], minlength=len(sets.times))
    return at_risk[terms.point] - terms.fraction * tied[terms.point]
