"""Every method of calibration.py on one simulated network."""

from __future__ import annotations

from functools import partial

import numpy as np
from scipy.stats import norm
from simulated_networks import (
    SCENARIOS,
    Network,
    draw,
    in_care_to_cut_off,
    seen_again,
    with_end_known,
)

from analytics.analyses import loss_weights, methods
from analytics.stats.cox import CoxFit, cox
from analytics.stats.cox_checks import baseline_hazard
from analytics.stats.curve_reading import read_curve
from analytics.stats.interval import survival_bounds, turnbull
from analytics.stats.proportions import wilson
from analytics.stats.resample import BootstrapPlan, bootstrap_weights
from analytics.stats.spells import Spells, as_spells
from analytics.stats.survival import SurvivalCurve, log_log_limits, product_limit

SEED, N_CHILDREN = 20261125, 400
HORIZONS = np.array([365, 730, 1096])
Z = float(norm.ppf(0.975))

#: In the order of the figures returned.
CURVES = (
    "crude proportion",
    "KM, naive error",
    "KM, clustered",
    "KM, clustered, weighted",
    "KM, clustered; in care to cut-off",
    "KM, clustered, weighted; in care to cut-off",
    "KM, clustered; end known",
    "KM, clustered, weighted; end known",
    "Turnbull, children resampled",
)
COX = ("x (child), naive", "x (child), clustered", "w (foot), naive", "w (foot), clustered")


def fit_cox(network: Network) -> CoxFit:
    """Marginal Cox model on x and w, ties by Efron; holds both errors."""
    spells = as_spells(network.time, network.is_event, cluster=network.child)
    return cox(spells, np.column_stack([network.x, network.w]))


def weigh(network: Network) -> Spells:
    """Spells weighted by one over the chance, given x, of not being lost before each."""
    fit = cox(as_spells(network.time, network.is_lost, cluster=network.child), network.x)
    step = float(loss_weights.STEP_DAYS)
    n_spells = np.ceil(network.time / step).astype(np.int64)
    row = np.repeat(np.arange(len(n_spells)), n_spells)
    order = np.arange(len(row)) - np.repeat(np.cumsum(n_spells) - n_spells, n_spells)
    start, is_last = order * step, order == n_spells[row] - 1
    steps = baseline_hazard(fit, np.zeros(1))
    at = np.searchsorted(steps["time"].to_numpy(), start, side="right")
    hazard = np.append(0.0, steps["cumulative_hazard"].to_numpy())[at]
    weights = np.exp(hazard * np.exp(fit.coefficients[0] * network.x[row]))
    return as_spells(
        np.minimum(start + step, network.time[row]),
        network.is_event[row] & is_last,
        entry=start,
        cluster=network.child[row],
        weights=np.minimum(weights, loss_weights.LARGEST),
    )


def curve(network: Network, *, is_clustered: bool) -> SurvivalCurve:
    cluster = network.child if is_clustered else None
    return product_limit(as_spells(network.time, network.is_event, cluster=cluster))


def read(at: SurvivalCurve) -> np.ndarray:
    """(horizons, [estimate, se, lower, upper])."""
    return read_curve(at, HORIZONS)[["estimate", "se", "lower", "upper"]].to_numpy()


def read_crude(network: Network) -> np.ndarray:
    """Feet without the event over all feet: the same at every horizon, which is its fault."""
    n = len(network.time)
    at = wilson(int(n - network.is_event.sum()), n)
    p, lower, upper = (float(part) for part in (at.estimate, at.lower, at.upper))
    return np.tile([p, np.sqrt(p * (1 - p) / n), lower, upper], (len(HORIZONS), 1))


def read_intervals(network: Network, step: int, weights: np.ndarray) -> np.ndarray:
    left = np.floor(network.free / step) * step
    right = np.where(network.is_event, np.ceil(network.time / step) * step, np.inf)
    bounds = survival_bounds(turnbull(left, right, weights=weights), HORIZONS)
    return ((bounds["lowest"] + bounds["highest"]) / 2).to_numpy()


def read_turnbull(network: Network, rng: np.random.Generator) -> np.ndarray:
    """Rounding, resamples and limits as in ``analytics.analyses.methods``."""
    whole = read_intervals(network, methods.STEP_DAYS, np.ones(len(network.time)))
    found = bootstrap_weights(
        partial(read_intervals, network, methods.STEP_DAYS_RESAMPLED),
        network.child,
        rng=rng,
        plan=BootstrapPlan(n_resamples=methods.N_RESAMPLES),
    )
    return np.column_stack([whole, found.se, *log_log_limits(whole, found.se, z=Z)])


def read_cox(network: Network) -> np.ndarray:
    """(4, [estimate, se, lower, upper]) in the order of COX."""
    fit = fit_cox(network)
    estimate = np.repeat(fit.coefficients, 2)
    se = np.column_stack([fit.se_naive, fit.se]).ravel()
    return np.column_stack([estimate, se, estimate - Z * se, estimate + Z * se])


def one_network(task: tuple[str, int, bool]) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """(methods, horizons, 4), (terms, 4), and what the network was like."""
    scenario, number, has_turnbull = task
    rng = np.random.default_rng([SEED, 3, list(SCENARIOS).index(scenario), number])
    whole = draw(rng, N_CHILDREN, SCENARIOS[scenario])
    network, in_care, known = (
        seen_again(whole),
        in_care_to_cut_off(seen_again(whole)),
        with_end_known(whole),
    )
    found = [
        read_crude(network),
        read(curve(network, is_clustered=False)),
        read(curve(network, is_clustered=True)),
        read(product_limit(weigh(network))),
        read(curve(in_care, is_clustered=True)),
        read(product_limit(weigh(in_care))),
        read(curve(known, is_clustered=True)),
        read(product_limit(weigh(known))),
        np.full((len(HORIZONS), 4), np.nan),
    ]
    if has_turnbull:
        found[-1] = read_turnbull(network, rng)
    event_days = network.time[network.is_event]
    is_tied = 1 - len(np.unique(event_days)) / len(event_days)
    like = [len(network.time), network.is_event.mean(), network.is_lost.mean(), is_tied]
    return np.stack(found), read_cox(network), np.array(like)
