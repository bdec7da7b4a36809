"""Which units lie outside limits that the others set: centre, spread and limits of clinics."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy import stats

from analytics.stats.funnel import (
    Overdispersion,
    adjusted_z,
    binomial_limits,
    overdispersion,
    quantile_with_spread,
    unlike_quantile,
    widened,
    z_scores,
)

WARNING, ACTION = 0.95, 0.998

#: Share of clinics that may be set aside while the centre is found.
SET_ASIDE = 0.10

#: Smallest tail of an exact distribution that is worked out.
SMALLEST_TAIL = 1e-12

#: Limits farther out than this, in errors, come from too few clinics that vary: inside them lies
#: nearly everything.
WIDEST = 10.0

FLAGS = {-1: "lower", 0: "as_expected", 1: "higher"}


@dataclass(frozen=True)
class Units:
    """One row per clinic, in the order of the codes.

    ``table`` has ``unit, numerator, denominator, expected, estimate, lower, upper, shrunken,
    children``; ``error`` the standard error of each estimate if the clinic were like the network,
    ``target`` the network's figure.
    """

    table: pd.DataFrame
    error: np.ndarray
    target: float


def without_outliers(units: Units) -> tuple[Units, Overdispersion]:
    """Return the clinics against a centre and a spread that the most unusual ones do not move.

    For the centre the most extreme tenth at most (one at least may be) is set aside where it lies
    beyond the plain 99.8% limits, as when limits of a control chart are set (NIST/SEMATECH
    e-Handbook, section 6.3.3.2). For the spread only what no spread of the others explains is set
    aside: a clinic that is far off hides itself among few, since it counts towards the spread
    that widens its own limits.
    """
    z = z_scores(units.table["estimate"].to_numpy(), units.target, units.error)
    most = max(1, int(SET_ASIDE * len(z)))
    far = np.argsort(-np.abs(z), kind="stable")[:most]
    rest = np.ones(len(z), dtype=bool)
    rest[far[np.abs(z[far]) > stats.norm.ppf((1 + ACTION) / 2)]] = False
    if rest.sum() < 2:
        rest[:] = True
    centred = _about(units, rest)
    alike = np.ones(len(z), dtype=bool)
    alike[[unit for unit in np.flatnonzero(~rest) if _is_unlike(units, int(unit), rest)]] = False
    z = z_scores(centred.table["estimate"].to_numpy(), centred.target, centred.error)
    return centred, overdispersion(z[alike], centred.error[alike])


def _is_unlike(units: Units, unit: int, rest: np.ndarray) -> bool:
    """Return whether a unit lies outside limits that the rest alone would set it.

    A deleted residual (Belsley, Kuh & Welsch 1980, Regression Diagnostics, chapter 2). The level
    is shared by all units, so that it is a rare network in which chance sets one aside.
    """
    others = _about(units, rest)
    z = z_scores(others.table["estimate"].to_numpy(), others.target, others.error)
    spread = overdispersion(z[rest], others.error[rest])
    own = adjusted_z(z[unit], others.error[unit], spread=spread)
    tail = (1 - ACTION) / 2 / len(rest)
    return bool(np.abs(own) > unlike_quantile(int(rest.sum()), tail=tail, spread=spread))


def _about(units: Units, base: np.ndarray) -> Units:
    """Return all clinics against what those of the base alone would have had."""
    table, target, error = units.table, units.target, units.error
    numerator, expected = (table[name].to_numpy(dtype=float) for name in ("numerator", "expected"))
    shift = float(numerator[base].sum() / expected[base].sum())
    table = table.assign(expected=expected * shift)
    if target == 1:
        figures = ["estimate", "lower", "upper"]
        table[figures] = table[figures] / shift
        return Units(table, error, 1.0)
    moved = min(max(target * shift, 1e-9), 1 - 1e-9)
    error = error * np.sqrt(moved * (1 - moved) / (target * (1 - target)))
    return Units(table, error, moved)


def find_limits(
    size: np.ndarray, error: np.ndarray, units: Units, *, level: float, spread: Overdispersion
) -> tuple[np.ndarray, np.ndarray]:
    """Return exact limits of a share, normal ones of a ratio, carried out for overdispersion."""
    target = units.target
    quantile = quantile_with_spread(level, spread=spread)
    # Exact tails end where numbers do; from there on limits go on in proportion.
    exact = min(quantile, float(stats.norm.isf(SMALLEST_TAIL)))
    if target < 1:
        # The exact distribution knows whole numbers only.
        effective = np.maximum(np.round(target * (1 - target) / error**2), 1)
        within = 1 - 2 * float(stats.norm.sf(exact))
        low, high = binomial_limits(target, effective, level=within)
    else:
        low, high = target - exact * error, target + exact * error
    low, high = (target + (end - target) * quantile / exact for end in (low, high))
    low, high = widened((low, high), target, error, spread=spread)
    return np.maximum(low, 0), np.minimum(high, 1) if target < 1 else high


def is_telling(spread: Overdispersion) -> bool:
    """Return whether to lie inside the limits says anything: not where they are so wide."""
    return quantile_with_spread(ACTION, spread=spread) <= WIDEST
