"""Survival from intervals: Turnbull's curve, with what it leaves open said."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike
from scipy.optimize import nnls

from analytics.errors import NotEstimableError
from analytics.stats.spells import as_numbers

# Stop when no mass anywhere could raise the mean log-likelihood per row by more than this.
LARGEST_GAP = 1e-9
MOST_STEPS = 500
MOST_HALVINGS = 40
# Masses below this are rounding error of the least-squares step.
SMALLEST_MASS = 1e-12
# Of a mean log-likelihood, relative.
ROUNDING = 1e-13


@dataclass(frozen=True, slots=True, eq=False)
class IntervalCurve:
    """The distribution that makes intervals most likely, as masses on stretches of time.

    Parameters
    ----------
    left, right
        (k,) ends of each stretch, (left, right]; left equal to right is a point; right may be
        infinite. Where in a stretch its mass lies cannot be known: between the two ends the
        curve is not unique.
    mass
        (k,) probability of each stretch, above 0, adding up to 1.
    log_likelihood
        Log-likelihood of the (weighted) rows.
    gap
        Largest amount per row by which the log-likelihood could still rise, to first order.
    n
        Rows.
    """

    left: np.ndarray
    right: np.ndarray
    mass: np.ndarray
    log_likelihood: float
    gap: float
    n: int


@dataclass(frozen=True, slots=True, eq=False)
class _Patterns:
    # Rows that allow the same stretches, from first up to (not including) stop.
    first: np.ndarray
    stop: np.ndarray
    weight: np.ndarray


def turnbull(
    left: ArrayLike, right: ArrayLike, *, weights: ArrayLike | None = None
) -> IntervalCurve:
    """Estimate a distribution from intervals (left, right] that hold the event.

    Turnbull (1976) J R Stat Soc B 38:290 for where the mass can lie; constrained Newton method
    of Wang (2007) J R Stat Soc B 69:185 for how much lies there, stopped on the gap to the
    optimum rather than on the last step.

    Parameters
    ----------
    left
        (n,) last time known to be free of the event, not negative.
    right
        (n,) first time known to be after it; equal to ``left`` where the time is exact,
        infinite where the event was never seen.
    weights
        (n,) positive weights or, from a bootstrap, counts; rows of weight 0 are left out.

    Returns
    -------
    IntervalCurve
        Stretches with their masses.

    Raises
    ------
    NotEstimableError
        ``no_rows``, ``lengths_differ``, ``missing_values``, ``negative_time``,
        ``left_after_right``, ``weights_negative``, ``not_converged``.
    """
    begun, ended, weighed = checked_intervals(left, right, weights)
    patterns, lows, highs = _find_patterns(begun, ended, weighed)
    mass, gap = _most_likely(patterns, len(lows))
    held = mass > 0
    likely = _likely(patterns, mass)
    return IntervalCurve(
        left=lows[held],
        right=highs[held],
        mass=mass[held],
        log_likelihood=float(patterns.weight @ np.log(likely)),
        gap=gap,
        n=len(begun),
    )


def survival_bounds(curve: IntervalCurve, times: ArrayLike) -> pd.DataFrame:
    """Read the survival that the intervals allow at given times.

    Parameters
    ----------
    curve
        A Turnbull curve.
    times
        (k,) times.

    Returns
    -------
    pandas.DataFrame
        ``time``, ``lowest``, ``highest``, ``unique``: the two differ, and ``unique`` is False,
        strictly inside a stretch.
    """
    at = as_numbers(times, "times")
    ended = np.searchsorted(curve.right, at, side="right")
    highest = np.maximum(1 - np.append(0.0, np.cumsum(curve.mass))[ended], 0.0)
    inside = np.append(curve.left, np.inf)[ended] < at
    held = np.where(inside, np.append(curve.mass, 0.0)[ended], 0.0)
    lowest = np.maximum(highest - held, 0.0)
    return pd.DataFrame({"time": at, "lowest": lowest, "highest": highest, "unique": ~inside})


def checked_intervals(
    left: ArrayLike, right: ArrayLike, weights: ArrayLike | None
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return checked ends and weights of intervals, without the rows of weight 0."""
    begun = as_numbers(left, "left")
    ended = pd.Series(right).to_numpy(dtype=float, na_value=np.nan)
    if len(ended) != len(begun):
        raise NotEstimableError("lengths_differ", expected=len(begun), found=len(ended))
    if np.isnan(ended).any():
        missing = int(np.isnan(ended).sum())
        raise NotEstimableError("missing_values", column="right", n_missing=missing)
    if (begun < 0).any():
        raise NotEstimableError("negative_time", n_rows=int((begun < 0).sum()))
    if (begun > ended).any():
        raise NotEstimableError("left_after_right", n_rows=int((begun > ended).sum()))
    weighed = np.ones(len(begun))
    if weights is not None:
        weighed = as_numbers(weights, "weights", n=len(begun))
    if (weighed < 0).any():
        raise NotEstimableError("weights_negative", n_rows=int((weighed < 0).sum()))
    held = weighed > 0
    if not held.any():
        raise NotEstimableError("no_rows", n_rows=0)
    return begun[held], ended[held], weighed[held]


def _find_patterns(
    begun: np.ndarray, ended: np.ndarray, weights: np.ndarray
) -> tuple[_Patterns, np.ndarray, np.ndarray]:
    # Places: at equal times an exact time opens (0), intervals close (1), an open end opens (2).
    values, rank = np.unique(np.concatenate([begun, ended]), return_inverse=True)
    opens = 3 * rank[: len(begun)] + np.where(begun == ended, 0, 2)
    closes = 3 * rank[len(begun) :] + 1
    # Mass can lie only where an opening is followed at once by a closing.
    places = np.unique(np.concatenate([opens, closes]))
    is_close = places % 3 == 1
    at = np.flatnonzero(~is_close[:-1] & is_close[1:])
    first = np.searchsorted(places[at], opens, side="left")
    stop = np.searchsorted(places[at + 1], closes, side="right")
    joint, which = np.unique(first * (len(at) + 1) + stop, return_inverse=True)
    patterns = _Patterns(
        first=joint // (len(at) + 1),
        stop=joint % (len(at) + 1),
        weight=np.bincount(which, weights=weights),
    )
    return patterns, values[places[at] // 3], values[places[at + 1] // 3]


def _most_likely(patterns: _Patterns, n_stretches: int) -> tuple[np.ndarray, float]:
    mass = _smallest_cover(patterns, n_stretches)
    for _ in range(MOST_STEPS):
        likely = _likely(patterns, mass)
        slope = _slope(patterns, likely, n_stretches)
        gap = float(slope.max()) - 1
        if gap < LARGEST_GAP:
            return mass, max(gap, 0.0)
        support = np.union1d(np.flatnonzero(mass), _peaks(slope, mass))
        target = np.zeros(n_stretches)
        target[support] = _newton_target(patterns, likely, support)
        mass = _towards(patterns, mass, target, rise=float(slope @ (target - mass)))
    raise NotEstimableError("not_converged", n_steps=MOST_STEPS, gap=gap)


def _smallest_cover(patterns: _Patterns, n_stretches: int) -> np.ndarray:
    # The fewest stretches that leave no row without mass: always the last of the earliest row.
    order = np.argsort(patterns.stop, kind="stable")
    first, stop = patterns.first[order], patterns.stop[order]
    mass = np.zeros(n_stretches)
    while len(stop):
        last = stop[0] - 1
        mass[last] = 1.0
        open_rows = first > last
        first, stop = first[open_rows], stop[open_rows]
    return mass / mass.sum()


def _likely(patterns: _Patterns, mass: np.ndarray) -> np.ndarray:
    total = np.append(0.0, np.cumsum(mass))
    return total[patterns.stop] - total[patterns.first]


def _slope(patterns: _Patterns, likely: np.ndarray, n_stretches: int) -> np.ndarray:
    # Derivative of the mean log-likelihood by the mass of each stretch; 1 wherever mass lies.
    share = patterns.weight / likely / patterns.weight.sum()
    opened = np.bincount(patterns.first, weights=share, minlength=n_stretches + 1)
    closed = np.bincount(patterns.stop, weights=share, minlength=n_stretches + 1)
    return np.cumsum(opened - closed)[:-1]


def _peaks(slope: np.ndarray, mass: np.ndarray) -> np.ndarray:
    # The steepest stretch from each one that holds mass up to the next.
    part = np.cumsum(mass > 0)
    order = np.lexsort((slope, part))
    last = np.append(part[order][1:] != part[order][:-1], True)
    steepest = order[last]
    return steepest[slope[steepest] > 1]


def _newton_target(patterns: _Patterns, likely: np.ndarray, support: np.ndarray) -> np.ndarray:
    # Wang (2007) eq. 6: least squares |S q - 2| with q >= 0, sum(q) = 1, S = allowed / likely.
    allowed = (patterns.first[:, None] <= support) & (support < patterns.stop[:, None])
    scale = np.sqrt(patterns.weight / patterns.weight.sum())[:, None]
    away = scale * (allowed / likely[:, None] - 2)
    # Because sum(q) = 1 the 2 moves into the matrix, and the sum becomes one more row.
    triangle = np.linalg.qr(away, mode="r")
    rows = np.vstack([triangle, np.ones(len(support))])
    wanted = np.append(np.zeros(len(triangle)), 1.0)
    found, _ = nnls(rows, wanted, maxiter=50 * len(support))
    return found / found.sum()


def _towards(
    patterns: _Patterns, mass: np.ndarray, target: np.ndarray, *, rise: float
) -> np.ndarray:
    weight = patterns.weight / patterns.weight.sum()
    here = float(weight @ np.log(_likely(patterns, mass)))
    # Close to the top the rise drowns in the rounding of the sum itself.
    here -= ROUNDING * (1 + abs(here))
    share = 1.0
    for _ in range(MOST_HALVINGS):
        moved = mass + share * (target - mass)
        moved[moved < SMALLEST_MASS] = 0.0
        moved /= moved.sum()
        likely = _likely(patterns, moved)
        if likely.min() > 0 and weight @ np.log(likely) >= here + share * rise / 3:
            return moved
        share /= 2
    return mass
