"""What a fitted Cox model says: coefficients, errors and tests, however its sums were made."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np

from analytics.errors import NotEstimableError
from analytics.stats.chi_square import ChiSquare, chi_square, quadratic_form
from analytics.stats.spells import FEW_CLUSTERS, two_sided

Ties = Literal["efron", "breslow"]


@dataclass(frozen=True, eq=False)
class CoxSummary:
    """A fitted proportional-hazards model without its rows.

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
    n, n_events, n_clusters, n_strata
        Rows, events, clusters (rows when not clustered), strata.
    is_clustered
        Whether rows have clusters.
    ties
        Rule for ties.
    notes
        Stable codes: ``few_clusters`` (tests and limits of single terms by Student's t).
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
    n: int
    n_events: int
    n_clusters: int
    n_strata: int
    is_clustered: bool
    ties: Ties
    notes: tuple[str, ...]

    def critical(self, conf_level: float = 0.95) -> float:
        """Return the quantile for limits of single terms."""
        return two_sided(conf_level, self.n_clusters if self.is_clustered else None)


@dataclass(frozen=True, eq=False)
class Place:
    """The partial likelihood at some coefficients, on the scale of standardised covariates.

    Parameters
    ----------
    coefficients, log_likelihood, score, information
        Where, its value, (p,) gradient and (p, p) information.
    products
        (p, p) products of the score residuals summed by cluster; ``None`` for naive errors.
    """

    coefficients: np.ndarray
    log_likelihood: float
    score: np.ndarray
    information: np.ndarray
    products: np.ndarray | None


@dataclass(frozen=True)
class Sizes:
    """Rows, events, clusters (rows when not clustered) and strata of a model."""

    n: int
    n_events: int
    n_clusters: int
    n_strata: int
    is_clustered: bool


def summarise(
    names: tuple[str, ...],
    spread: np.ndarray,
    sizes: Sizes,
    places: tuple[Place, Place],
    ties: Ties,
) -> CoxSummary:
    """Return the summary of a model on the scale of its covariates.

    Parameters
    ----------
    names, spread
        Of the covariates; what they were divided by.
    sizes
        What was fitted.
    places
        At 0 and at the maximum.
    ties
        Rule for ties.
    """
    null, top = places
    naive, robust, robust_score = np.linalg.inv(top.information), None, None
    if top.products is not None and null.products is not None:
        robust = naive @ top.products @ naive
        robust_score = quadratic_form(null.score, null.products)
    covariance = naive if robust is None else robust
    outer = np.outer(spread, spread)
    gain = 2 * (top.log_likelihood - null.log_likelihood)
    few = sizes.is_clustered and sizes.n_clusters < FEW_CLUSTERS
    return CoxSummary(
        names=names,
        coefficients=top.coefficients / spread,
        se=np.sqrt(np.diag(covariance)) / spread,
        se_naive=np.sqrt(np.diag(naive)) / spread,
        covariance=covariance / outer,
        covariance_naive=naive / outer,
        log_likelihood=top.log_likelihood,
        log_likelihood_null=null.log_likelihood,
        likelihood_ratio=chi_square(gain, len(names)),
        wald=quadratic_form(top.coefficients, covariance),
        score=quadratic_form(null.score, null.information),
        robust_score=robust_score,
        n=sizes.n,
        n_events=sizes.n_events,
        n_clusters=sizes.n_clusters,
        n_strata=sizes.n_strata,
        is_clustered=sizes.is_clustered,
        ties=ties,
        notes=("few_clusters",) if few else (),
    )


def require_contrast(at_null: np.ndarray, names: tuple[str, ...], counts: dict[str, int]) -> None:
    """Refuse covariates that do not vary among those at risk, or that say the same.

    Raises
    ------
    NotEstimableError
        ``no_contrast_at_events``, ``collinear_covariates``.
    """
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


def require_known_ties(ties: str) -> None:
    """Refuse a rule for ties other than ``efron`` and ``breslow``."""
    if ties not in ("efron", "breslow"):
        raise NotEstimableError("unknown_ties", ties=ties)
