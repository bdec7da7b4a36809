"""Cox regression with a risk shared within clusters: gamma frailty by penalised likelihood."""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike
from scipy import stats as distributions
from scipy.optimize import brentq
from scipy.sparse.linalg import LinearOperator, cg
from scipy.special import digamma, gammaln

from analytics.errors import NotEstimableError
from analytics.stats.cox import CoxFit, cox
from analytics.stats.cox_summary import Ties
from analytics.stats.partial_likelihood import State, bending, evaluate
from analytics.stats.partial_sums import Likelihood
from analytics.stats.spells import Spells

#: Variances looked at: below the first a frailty is as good as none, above the last unbounded.
SMALLEST, LARGEST = 1e-4, 1e3
#: In log risks: closer than this, the next step would be rounding.
SMALLEST_STEP, MOST_STEPS, MOST_HALVINGS = 1e-9, 60, 30
SMALLEST_RESIDUAL = 1e-11
#: In log risks: further out, exponentials overflow; and in log variances.
LONGEST_STEP, NEAR = 5.0, 2.0


@dataclass(frozen=True, slots=True, eq=False)
class FrailtyFit:
    """A proportional-hazards model whose clusters share a gamma frailty of mean 1.

    Parameters
    ----------
    names
        The p covariates.
    coefficients, se
        (p,) log hazard ratios given the frailty, and their errors at the variance found.
    variance, lower, upper
        Of the frailty, with limits by its profile likelihood; 0 where the likelihood is highest
        without any. Kendall's tau of two rows of a cluster is ``variance / (variance + 2)``; once
        one of them had the event, the hazard of the other is ``1 + variance`` times as high.
    log_likelihood, log_likelihood_none
        Log partial likelihood with the frailty integrated out, and without frailty.
    p
        Of no frailty: half a chi-square of one degree, because 0 lies at the edge.
    frailty
        (clusters,) estimated frailties.
    n, n_events, n_clusters
        Rows, events, clusters.
    """

    names: tuple[str, ...]
    coefficients: np.ndarray
    se: np.ndarray
    variance: float
    lower: float
    upper: float
    log_likelihood: float
    log_likelihood_none: float
    p: float
    frailty: np.ndarray
    n: int
    n_events: int
    n_clusters: int


@dataclass(frozen=True, slots=True, eq=False)
class _Shared:
    """The model without frailty, cluster of each row, events of each, and variances solved."""

    plain: CoxFit
    units: np.ndarray
    events: np.ndarray
    solved: dict[float, np.ndarray] = field(default_factory=dict)

    def begin(self, variance: float) -> np.ndarray:
        """Return where to begin at a variance: at the solution of one that is near."""
        near = min(self.solved, key=lambda known: abs(np.log(known / variance)), default=np.inf)
        if abs(np.log(near / variance)) < NEAR:
            return self.solved[near]
        return np.append(self.plain.coefficients * self.plain.scale.spread, 0.0 * self.events)


@dataclass(frozen=True, slots=True, eq=False)
class _Point:
    """The penalised likelihood at p coefficients and then log frailties, with what it rests on."""

    at: np.ndarray
    value: float
    slope: np.ndarray
    model: Likelihood
    state: State
    penalty: np.ndarray


@dataclass(frozen=True, slots=True, eq=False)
class _At:
    """Solution at one variance, likelihood with the frailty integrated out, slope by variance."""

    solution: _Point
    log_likelihood: float
    slope: float


def gamma_frailty(
    spells: Spells,
    covariates: pd.DataFrame | ArrayLike,
    *,
    ties: Ties = "efron",
    conf_level: float = 0.95,
) -> FrailtyFit:
    """Fit a shared gamma frailty model.

    Penalised partial likelihood of Therneau, Grambsch and Pankratz (2003) J Comput Graph Stat
    12:156, whose solution at a given variance is that of the EM algorithm of Klein (1992)
    Biometrics 48:795; the variance maximises the likelihood with the frailty integrated out. As
    R's ``coxph(... + frailty(id))`` run to convergence (by default R stops early).

    Parameters
    ----------
    spells
        Checked rows from the origin (no entry), unweighted, with event codes 0 and 1 and a
        cluster for each.
    covariates
        (n, p) numbers.
    ties
        ``efron`` or ``breslow``.
    conf_level
        Level of the limits of the variance.

    Returns
    -------
    FrailtyFit
        Coefficients given the frailty, and its variance.

    Raises
    ------
    NotEstimableError
        ``no_clusters``, ``entry_not_supported``, ``weights_not_supported``, ``not_converged``, and
        those of :func:`analytics.stats.cox.cox`.
    """
    _check(spells)
    plain = cox(spells, covariates, ties=ties)
    events = np.bincount(spells.units, weights=plain.model.sets.is_event)
    shared = _Shared(plain, spells.units, events)
    cut = float(distributions.chi2.ppf(conf_level, 1)) / 2
    best = _highest(shared)
    none = plain.log_likelihood
    if best is None:
        upper = _crossing(shared, none - cut, SMALLEST, LARGEST)
        return _described(shared, None, 0.0, limits=(0.0, upper))
    variance, at = best
    floor = at.log_likelihood - cut
    lower = _crossing(shared, floor, SMALLEST, variance) if none < floor else 0.0
    upper = _crossing(shared, floor, variance, LARGEST)
    return _described(shared, at, variance, limits=(lower, upper))


def _check(spells: Spells) -> None:
    n_rows = len(spells.time)
    if spells.cluster is None:
        raise NotEstimableError("no_clusters", n_rows=n_rows)
    if spells.entry is not None:
        raise NotEstimableError("entry_not_supported", n_rows=n_rows)
    if spells.weights is not None:
        raise NotEstimableError("weights_not_supported", n_rows=n_rows)


def _described(
    shared: _Shared, at: _At | None, variance: float, *, limits: tuple[float, float]
) -> FrailtyFit:
    plain = shared.plain
    coefficients, se, frailty = plain.coefficients, plain.se_naive, np.ones(plain.n_clusters)
    top, p_value = plain.log_likelihood, 1.0
    if at is not None:
        n_terms, spread = len(plain.names), plain.scale.spread
        coefficients = at.solution.at[:n_terms] / spread
        se = _errors(shared, at.solution) / spread
        frailty, top = np.exp(at.solution.at[n_terms:]), at.log_likelihood
        p_value = float(distributions.chi2.sf(2 * (top - plain.log_likelihood), 1)) / 2
    return FrailtyFit(
        names=plain.names,
        coefficients=coefficients,
        se=se,
        variance=variance,
        lower=limits[0],
        upper=limits[1],
        log_likelihood=top,
        log_likelihood_none=plain.log_likelihood,
        p=p_value,
        frailty=frailty,
        n=plain.n,
        n_events=plain.n_events,
        n_clusters=plain.n_clusters,
    )


def _highest(shared: _Shared) -> tuple[float, _At] | None:
    """Return the variance of the highest likelihood and its solution; ``None`` where it is 0."""
    if _solve(shared, SMALLEST).slope <= 0:
        return None
    if _solve(shared, LARGEST).slope > 0:
        raise NotEstimableError("not_converged", n_events=shared.plain.n_events)
    ends = np.log([SMALLEST, LARGEST])
    found = float(np.exp(brentq(lambda x: _solve(shared, np.exp(x)).slope, *ends, xtol=1e-10)))
    return found, _solve(shared, found)


def _crossing(shared: _Shared, floor: float, low: float, high: float) -> float:
    """Return where the profile likelihood crosses a floor; infinite where it does not."""

    def above(x: float) -> float:
        return _solve(shared, float(np.exp(x))).log_likelihood - floor

    ends = np.log([low, high])
    if above(ends[0]) * above(ends[1]) > 0:
        return float("inf") if above(ends[1]) > 0 else low
    return float(np.exp(brentq(above, *ends, xtol=1e-6)))


def _solve(shared: _Shared, variance: float) -> _At:
    """Solve the penalised likelihood at one variance, by Newton's method."""
    plain, d, nu = shared.plain, shared.events, 1 / variance
    p = len(plain.names)
    here = _evaluate(shared, shared.begin(variance), nu)
    for _ in range(MOST_STEPS):
        step = _invert(shared, here, here.slope)
        there = _climb(shared, here, step)
        if np.abs(there.at - here.at).max() < SMALLEST_STEP:
            break
        here = there
    else:
        raise NotEstimableError("not_converged", n_steps=MOST_STEPS)
    shared.solved[variance] = there.at
    omega = there.at[p:]
    # The frailty integrated out (Therneau et al. 2003, section 4.2), and its derivative by nu.
    rest = nu + d - (nu + d) * np.log(nu + d) + nu * np.log(nu) + gammaln(nu + d) - gammaln(nu)
    by_nu = omega - np.expm1(omega) + np.log(nu / (nu + d)) + digamma(nu + d) - digamma(nu)
    return _At(there, there.value + float(rest.sum()), float(-by_nu.sum() * nu**2))


def _evaluate(shared: _Shared, at: np.ndarray, nu: float) -> _Point:
    """Evaluate the penalised partial likelihood, the log frailties as one more column."""
    plain, p = shared.plain, len(shared.plain.names)
    omega = at[p:]
    design = np.column_stack([plain.model.design, omega[shared.units]])
    model = replace(plain.model, design=design)
    state = evaluate(model, np.append(at[:p], 1.0))
    by_cluster = np.bincount(shared.units, weights=state.martingale)
    slope = np.append(state.score[:p], by_cluster - nu * np.expm1(omega))
    value = state.log_likelihood + nu * float(np.sum(omega - np.exp(omega)))
    return _Point(at, value, slope, model, state, nu * np.exp(omega))


def _climb(shared: _Shared, here: _Point, step: np.ndarray) -> _Point:
    """Return the point a step further up, the step halved until it is not further down."""
    nu = float(here.penalty[0] / np.exp(here.at[len(shared.plain.names)]))
    step = step * (LONGEST_STEP / max(float(np.abs(step).max()), LONGEST_STEP))
    slack = 1e-12 * (1 + abs(here.value))
    for _ in range(MOST_HALVINGS):
        there = _evaluate(shared, here.at + step, nu)
        if there.value >= here.value - slack:
            return there
        step = step / 2
    return here


def _invert(shared: _Shared, here: _Point, wanted: np.ndarray) -> np.ndarray:
    """Solve with the penalised information, by conjugate gradients: no matrix of clusters."""
    p, bend = len(shared.plain.names), bending(here.model, here.state)
    design, units = np.asfortranarray(here.model.design[:, :p]), shared.units

    def times(v: np.ndarray) -> np.ndarray:
        bent = bend(design @ v[:p] + v[p:][units])
        return np.append(design.T @ bent, np.bincount(units, weights=bent) + here.penalty * v[p:])

    expected = here.model.sets.is_event - here.state.martingale
    own = np.bincount(units, weights=expected) + here.penalty
    size = np.append(np.maximum(design.T**2 @ expected, 1e-12), own)
    shape = (len(size), len(size))
    found, failed = cg(
        LinearOperator(shape, matvec=times, dtype=float),
        wanted,
        rtol=SMALLEST_RESIDUAL,
        maxiter=MOST_STEPS * 20,
        M=LinearOperator(shape, matvec=lambda v: v / size, dtype=float),
    )
    if failed:
        raise NotEstimableError("not_converged", n_steps=int(failed))
    return np.asarray(found)


def _errors(shared: _Shared, at: _Point) -> np.ndarray:
    """Return errors of the coefficients, the frailties following them where they go."""
    p = len(shared.plain.names)
    rows = [_invert(shared, at, np.eye(1, len(at.at), j)[0])[:p] for j in range(p)]
    return np.sqrt(np.diag(np.array(rows)))
