"""Cumulative sums: small lasting changes, found row by row, with a stated run length."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.random import Generator
from numpy.typing import ArrayLike, NDArray

from analytics.errors import NotEstimableError
from analytics.stats.proportions import Floats

Draw = Callable[[Generator, tuple[int, int]], Floats]
BISECTIONS = 30
HORIZON = 3  # simulated rows per run, in multiples of the run length wanted


@dataclass(frozen=True)
class TabularCusum:
    """Upper and lower sums (both kept positive) and where either passes the limit."""

    high: Floats
    low: Floats
    signal: NDArray[np.bool_]


def tabular_cusum(values: ArrayLike, *, target: float, slack: float, limit: float) -> TabularCusum:
    """Two-sided tabular cumulative sum.

    Parameters
    ----------
    values
        In order of time, without gaps.
    target, slack, limit
        In the unit of the values: the level to hold, half the shift to find, and the sum at
        which to signal. The sums are not set back after a signal.

    Notes
    -----
    Page 1954, Biometrika 41:100; as in Montgomery, Introduction to Statistical Quality Control.
    """
    x = np.asarray(values, float) - target
    high, low = reflected_sum(x - slack), reflected_sum(-x - slack)
    return TabularCusum(high, low, (high > limit) | (low > limit))


def reflected_sum(increments: ArrayLike) -> Floats:
    """Running sum that never falls below 0, along the last axis."""
    total = np.cumsum(np.asarray(increments, float), axis=-1)
    return total - np.minimum(np.minimum.accumulate(total, axis=-1), 0)


@dataclass(frozen=True)
class RiskAdjustedCusum:
    """The sum after each row, set back to 0 after each signal, and the rows that signalled."""

    path: Floats
    signals: NDArray[np.int64]


def risk_weights(event: ArrayLike, risk: ArrayLike, *, odds_ratio: float) -> Floats:
    """Log-likelihood ratio of each row between odds multiplied by ``odds_ratio`` and expected.

    Parameters
    ----------
    event
        0 or 1 per row.
    risk
        Expected chance of the event, strictly between 0 and 1.
    odds_ratio
        The change to find: above 1 for more events, below 1 for fewer.

    Notes
    -----
    Steiner et al. 2000, Biostatistics 1:441.
    """
    event, risk = np.asarray(event, float), np.asarray(risk, float)
    if wrong := int((~((risk > 0) & (risk < 1))).sum()):
        raise NotEstimableError("risk_out_of_range", n_rows=wrong)
    return event * np.log(odds_ratio) - np.log1p(risk * (odds_ratio - 1))


def risk_adjusted_cusum(weights: ArrayLike, *, limit: float) -> RiskAdjustedCusum:
    """Accumulate the weights of rows in order of time, starting afresh after each signal.

    Parameters
    ----------
    weights
        From `risk_weights`.
    limit
        From `limit_for_run_length`.
    """
    w = np.asarray(weights, float)
    path, signals, start = np.empty(w.size), [], 0
    while start < w.size:
        part = reflected_sum(w[start:])
        over = np.flatnonzero(part > limit)
        stop = start + int(over[0]) + 1 if over.size else w.size
        path[start:stop] = part[: stop - start]
        if over.size:
            signals.append(stop - 1)
        start = stop
    return RiskAdjustedCusum(path, np.array(signals, dtype=np.int64))


def risk_draw(risk: ArrayLike, *, odds_ratio: float, true_odds_ratio: float = 1.0) -> Draw:
    """Draws of weights for rows like the given ones; in control when the true ratio is 1.

    Risks are drawn with replacement, events by those risks with their odds multiplied by
    ``true_odds_ratio``.
    """
    risk = np.asarray(risk, float)
    at_no, at_yes = (
        risk_weights(np.full(risk.size, event), risk, odds_ratio=odds_ratio) for event in (0, 1)
    )
    true = true_odds_ratio * risk / (1 + (true_odds_ratio - 1) * risk)

    def draw(rng: Generator, shape: tuple[int, int]) -> Floats:
        pick = rng.integers(0, risk.size, shape)
        return np.where(rng.random(shape) < true[pick], at_yes[pick], at_no[pick])

    return draw


def mean_run_length(
    draw: Draw, *, limit: float, n_rows: int, rng: Generator, n_runs: int = 2000
) -> float:
    """Rows until the first signal, on average over simulated runs.

    Parameters
    ----------
    draw
        From a generator and (runs, rows) to increments of that shape.
    limit
        Sum above which a run signals.
    n_rows
        Rows simulated per run. Runs that have not signalled by then are taken to signal at
        the rate seen until then; some three times the answer is enough.
    rng
        Source of randomness.
    n_runs
        The relative Monte Carlo error is about 1 / sqrt(n_runs).
    """
    return _length(_highest_so_far(draw, n_rows, rng, n_runs), limit)


def limit_for_run_length(
    draw: Draw, *, run_length: float, rng: Generator, n_runs: int = 4000
) -> float:
    """Limit at which an in-control series signals once in ``run_length`` rows on average.

    Parameters as in `mean_run_length`. Found by bisection on one set of simulated runs.

    Raises
    ------
    NotEstimableError
        ``no_limit`` when the increments never rise, so that no limit has that run length.
    """
    highest = _highest_so_far(draw, int(np.ceil(HORIZON * run_length)), rng, n_runs)
    low, high = 0.0, float(highest[:, -1].max())
    if high <= 0 or _length(highest, low) > run_length:
        raise NotEstimableError("no_limit", run_length=run_length)
    for _ in range(BISECTIONS):
        middle = (low + high) / 2
        if _length(highest, middle) < run_length:
            low = middle
        else:
            high = middle
    return high


def _highest_so_far(draw: Draw, n_rows: int, rng: Generator, n_runs: int) -> Floats:
    # Blocks of runs bound the memory; single precision is far below the Monte Carlo error.
    block = max(1, int(2e6 // n_rows))
    parts = []
    for start in range(0, n_runs, block):
        path = reflected_sum(draw(rng, (min(block, n_runs - start), n_rows)))
        parts.append(np.maximum.accumulate(path, axis=1).astype(np.float32))
    return np.concatenate(parts)


def _length(highest: Floats, limit: float) -> float:
    """Mean of the run lengths cut off at the horizon, over the share that signalled in it."""
    n_rows = highest.shape[1]
    before = (highest <= limit).sum(axis=1)
    signalled = (before < n_rows).mean()
    cut = np.minimum(before + 1, n_rows).mean()
    return float(cut / signalled) if signalled else np.inf
