"""Sums that make up the partial likelihood: over rows and over terms."""

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
class Moments:
    """Sums of risks, and of risks times covariates, at the event points; they add up over rows.

    Parameters
    ----------
    at_risk, tied
        (K, 1 + p) over the rows at risk at each point, and over the rows with the event there.
    events
        Linear predictors of the rows with an event, less the shift, summed.
    """

    at_risk: np.ndarray
    tied: np.ndarray
    events: float


@dataclass(frozen=True, slots=True, eq=False)
class Hazard:
    """What follows from the moments of all rows.

    Parameters
    ----------
    log_likelihood
        Log partial likelihood.
    total, mean
        (L,) and (L, p): sum of the risks and mean of the covariates in each term.
    hazard, hazard_at_tie
        (K,) step of the cumulative hazard, and the part that tied rows are spared.
    """

    log_likelihood: float
    total: np.ndarray
    mean: np.ndarray
    hazard: np.ndarray
    hazard_at_tie: np.ndarray


def find_moments(model: Likelihood, predictor: np.ndarray) -> Moments:
    """Sum risks and covariates at the event points.

    Parameters
    ----------
    model
        Design and risk sets; its terms are not read.
    predictor
        (n,) linear predictors, less a shift that keeps their exponentials from overflowing.
    """
    sets = model.sets
    shape = (len(sets.times), 1 + model.design.shape[1])
    at_risk, tied = np.empty(shape, order="F"), np.empty(shape, order="F")
    rows = np.flatnonzero(sets.is_event)
    own = sets.closed[rows] - 1
    weighed = weighed_by(model, np.exp(predictor))
    for j in range(shape[1]):
        values = weighed if not j else weighed * model.design[:, j - 1]
        at_risk[:, j] = sets.sum_over_rows(values)
        tied[:, j] = np.bincount(own, weights=values[rows], minlength=shape[0])
    return Moments(at_risk, tied, float(weighed_by(model, predictor)[rows].sum()))


def find_hazard(terms: TieTerms, moments: Moments) -> Hazard | None:
    """Return what the moments of all rows say; ``None`` where risks lie too far apart."""
    n_points = len(moments.at_risk)
    total = per_term(terms, moments.at_risk[:, 0], moments.tied[:, 0])
    if not total.min() > SMALLEST_TOTAL:
        return None
    columns = zip(moments.at_risk.T[1:], moments.tied.T[1:], strict=True)
    step = terms.weight / total
    return Hazard(
        log_likelihood=float(moments.events - terms.weight @ np.log(total)),
        total=total,
        mean=np.stack([per_term(terms, *column) / total for column in columns], axis=1),
        hazard=np.bincount(terms.point, weights=step, minlength=n_points),
        hazard_at_tie=np.bincount(terms.point, weights=step * terms.fraction, minlength=n_points),
    )


def find_martingale(
    model: Likelihood, risk: np.ndarray, hazard: np.ndarray, at_tie: np.ndarray
) -> np.ndarray:
    """Return event less expected event of every row; (n,)."""
    sets = model.sets
    along = sets.sum_along_time(hazard) - sets.at_own_event(at_tie)
    return sets.is_event - risk * along


def find_squares(
    model: Likelihood, risk: np.ndarray, *, hazard: np.ndarray, at_tie: np.ndarray
) -> np.ndarray:
    """Return the first part of the information, which adds up over rows; (p, p)."""
    along = model.sets.sum_along_time(hazard)
    along -= model.sets.at_own_event(at_tie)
    return _squares(model.design, weighed_by(model, risk * along))


def squares_of_means(terms: TieTerms, mean: np.ndarray, factor: np.ndarray) -> np.ndarray:
    """Return what is taken from it; (p, p)."""
    return (mean * (terms.weight * factor[terms.point])[:, None]).T @ mean


def _squares(design: np.ndarray, weights: np.ndarray) -> np.ndarray:
    """Return ``design' diag(weights) design``, over blocks of rows that stay near the processor."""
    total = np.zeros((design.shape[1], design.shape[1]))
    for start in range(0, len(weights), BLOCK):
        rows = design[start : start + BLOCK]
        total += rows.T @ (rows * weights[start : start + BLOCK, None])
    return total


def find_pull(
    terms: TieTerms, found: Hazard, column: int, n_points: int
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return what a row's residual rests on at each point; (K,) each.

    Steps of the hazard times the mean of the covariate, the part of it that tied rows are spared,
    and the mean over the ties.
    """
    mean = found.mean[:, column]
    step = terms.weight / found.total * mean
    moved = np.bincount(terms.point, weights=step, minlength=n_points)
    at_tie = np.bincount(terms.point, weights=step * terms.fraction, minlength=n_points)
    return moved, at_tie, mean_over_ties(terms, mean, n_points)


def residuals_at(
    model: Likelihood,
    risk: np.ndarray,
    martingale: np.ndarray,
    *,
    pull: tuple[np.ndarray, np.ndarray, np.ndarray],
    column: int,
) -> np.ndarray:
    """Return the weighted score residuals of rows; (n,)."""
    sets, (moved, at_tie, own) = model.sets, pull
    residual = model.design[:, column] * martingale - sets.at_own_event(own)
    residual += risk * (sets.sum_along_time(moved) - sets.at_own_event(at_tie))
    return weighed_by(model, residual)


def mean_over_ties(terms: TieTerms, values: np.ndarray, n_points: int) -> np.ndarray:
    """Average (L,) values over the terms of each point; (K,)."""
    total = np.bincount(terms.point, weights=values, minlength=n_points)
    return total / np.bincount(terms.point, minlength=n_points)


def weighed_by(model: Likelihood, values: np.ndarray) -> np.ndarray:
    """Return (n,) values times the weights of the rows, where they have any."""
    return values if model.weights is None else values * model.weights


def per_term(terms: TieTerms, at_risk: np.ndarray, tied: np.ndarray) -> np.ndarray:
    """Return (K,) sums over those at risk, less each term's share of the tied; (L,)."""
    if not terms.fraction.any():
        return at_risk[terms.point]
    return at_risk[terms.point] - terms.fraction * tied[terms.point]
