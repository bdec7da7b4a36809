"""The steps that public figures come in."""

from __future__ import annotations

import numpy as np
import pandas as pd

from analytics.definitions.policies import Policy

#: Steps that readers count in, times a power of ten.
_LADDER = np.array([1.0, 2.0, 5.0, 10.0])

#: No share is given more exactly than this.
_LEAST_SHARE_STEP = 0.01

_NEAR = 1e-9


def share_step(n: np.ndarray, policy: Policy) -> np.ndarray:
    """Return the step of shares of so many units: at least ``smallest_count`` of them.

    Parameters
    ----------
    n
        (R,) Counts as shown; nothing finer than the shown ones may be told from the step.
    """
    with np.errstate(divide="ignore"):
        return np.maximum(up_the_ladder(policy.smallest_count / n), _LEAST_SHARE_STEP)


def to_step(values: np.ndarray, steps: np.ndarray, column: str = "") -> np.ndarray:
    """Return figures at the nearest step; limits go outward, so that they promise no more."""
    turn = {"lower": np.floor, "upper": np.ceil}.get(column, np.rint)
    slack = {"lower": _NEAR, "upper": -_NEAR}.get(column, 0.0)
    has_step = steps > 0
    step = np.where(has_step, steps, 1.0)
    # 7 times 0.1 is not 0.7: as near as a figure is ever written.
    return np.round(np.where(has_step, turn(values / step + slack) * step, values), 12)


def up_the_ladder(size: np.ndarray) -> np.ndarray:
    """Return the next of 1, 2, 5, 10, 20, ... at or above each size; 0 where there is none."""
    with np.errstate(divide="ignore", invalid="ignore"):
        power = 10.0 ** np.floor(np.log10(size))
        place = np.searchsorted(_LADDER, size / power - _NEAR)
    is_some = np.isfinite(size) & (size > 0)
    return np.where(is_some, _LADDER[np.minimum(place, len(_LADDER) - 1)] * power, 0.0)


def as_figures(values: np.ndarray) -> pd.arrays.FloatingArray:
    """Return nullable figures; what is not a number is missing."""
    return pd.arrays.FloatingArray(np.nan_to_num(values), np.isnan(values))


def to_one_digit(p: np.ndarray) -> np.ndarray:
    """Return p values to one significant digit."""
    with np.errstate(divide="ignore", invalid="ignore"):
        digit = 10.0 ** np.floor(np.log10(p))
        return np.where(p > 0, np.rint(p / digit) * digit, p)
