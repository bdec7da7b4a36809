"""How many rows, or how much power, when rows share clusters.

A design effect multiplies the size that independent rows would need; see
`analytics.stats.proportions.kish_design_effect`. Sizes are not rounded here.
"""

from __future__ import annotations

import numpy as np
from scipy import stats

from analytics.errors import NotEstimableError


def rows_for_two_proportions(
    first: float,
    second: float,
    *,
    power: float = 0.8,
    alpha: float = 0.05,
    design_effect: float = 1.0,
) -> float:
    """Rows needed in each of two equal groups to tell their proportions apart.

    Parameters
    ----------
    first, second
        Proportions to tell apart.
    power, alpha
        Chance of finding the difference, and two-sided error.
    design_effect
        Variance of clustered over independent rows.

    Raises
    ------
    NotEstimableError
        ``no_difference`` when the proportions are equal; ``proportion_out_of_range``.

    Notes
    -----
    Normal approximation without continuity correction, as R's ``power.prop.test``;
    Fleiss, Levin & Paik 2003, chapter 4.
    """
    _check(first, second)
    spread = _pooled_sd(first, second) * _z(1 - alpha / 2) + _sd(first, second) * _z(power)
    return design_effect * (spread / (first - second)) ** 2


def power_of_two_proportions(
    first: float,
    second: float,
    *,
    n_per_group: float,
    alpha: float = 0.05,
    design_effect: float = 1.0,
) -> float:
    """Chance of telling two proportions apart with ``n_per_group`` rows; see above."""
    _check(first, second)
    reach = abs(first - second) * np.sqrt(n_per_group / design_effect)
    threshold = _z(1 - alpha / 2) * _pooled_sd(first, second)
    return float(stats.norm.cdf((reach - threshold) / _sd(first, second)))


def events_for_log_rank(
    hazard_ratio: float, *, power: float = 0.8, alpha: float = 0.05, share_first: float = 0.5
) -> float:
    """Events needed in both groups together for the log-rank test.

    Parameters
    ----------
    hazard_ratio
        To be found; not 1.
    power, alpha
        Chance of finding it, and two-sided error.
    share_first
        Share of the rows in the first group.

    Notes
    -----
    Schoenfeld 1983, Biometrics 39:499.
    """
    if hazard_ratio <= 0 or hazard_ratio == 1:
        raise NotEstimableError("no_difference", hazard_ratio=hazard_ratio)
    needed = (_z(1 - alpha / 2) + _z(power)) / np.log(hazard_ratio)
    return float(needed**2 / (share_first * (1 - share_first)))


def rows_for_log_rank(
    hazard_ratio: float,
    *,
    event_share: float,
    power: float = 0.8,
    alpha: float = 0.05,
    design_effect: float = 1.0,
) -> float:
    """Rows needed in two equal groups together when ``event_share`` of rows have the event."""
    if not 0 < event_share <= 1:
        raise NotEstimableError("proportion_out_of_range", event_share=event_share)
    events = events_for_log_rank(hazard_ratio, power=power, alpha=alpha)
    return design_effect * events / event_share


def power_of_log_rank(
    hazard_ratio: float, *, n_events: float, alpha: float = 0.05, design_effect: float = 1.0
) -> float:
    """Chance that the log-rank test of two equal groups finds a hazard ratio."""
    reach = abs(np.log(hazard_ratio)) * np.sqrt(n_events / design_effect) / 2
    return float(stats.norm.cdf(reach - _z(1 - alpha / 2)))


def rows_for_ratio(
    ratio: float, *, se: float, n: float, power: float = 0.8, alpha: float = 0.05
) -> float:
    """Rows that a study needs to find a ratio, from the error that one like it had.

    Parameters
    ----------
    ratio
        To be found; not 1. Its inverse needs as many.
    se
        Standard error of the log ratio in the study at hand, clusters and adjustment included.
    n
        Rows of that study.
    power, alpha
        Chance of finding it, and two-sided error.

    Notes
    -----
    The error falls with the root of the rows, so n (se (z_alpha + z_power) / log ratio)^2. With
    the error of two equal groups under proportional hazards, 2 over the root of the events, this
    is Schoenfeld's number; with that of a covariate of variance v, 1 over the root of events times
    v, it is that of Hsieh & Lavori 2000, Control Clin Trials 21:552, equation 2.
    """
    if ratio <= 0 or ratio == 1:
        raise NotEstimableError("no_difference", ratio=ratio)
    return float(n * (se * (_z(1 - alpha / 2) + _z(power)) / np.log(ratio)) ** 2)


def detectable_ratio(*, se: float, power: float = 0.8, alpha: float = 0.05) -> float:
    """Smallest ratio above 1 that a study with this error of the log ratio finds."""
    return float(np.exp(se * (_z(1 - alpha / 2) + _z(power))))


def _check(first: float, second: float) -> None:
    if not (0 < first < 1 and 0 < second < 1):
        raise NotEstimableError("proportion_out_of_range", first=first, second=second)
    if first == second:
        raise NotEstimableError("no_difference", first=first, second=second)


def _pooled_sd(first: float, second: float) -> float:
    middle = (first + second) / 2
    return float(np.sqrt(2 * middle * (1 - middle)))


def _sd(first: float, second: float) -> float:
    return float(np.sqrt(first * (1 - first) + second * (1 - second)))


def _z(p: float) -> float:
    return float(stats.norm.ppf(p))
