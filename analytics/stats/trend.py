"""Control charts for proportions and rates whose size changes, with rules for runs.

Periods without rows have no point: NaN, and the rules look past them.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.random import Generator
from numpy.typing import ArrayLike, NDArray
from scipy import stats

from analytics.errors import NotEstimableError
from analytics.stats.proportions import Floats

MOVING_RANGE = 1.128  # mean range of two standard normal values (d2)
MEDIAN_MOVING_RANGE = 0.954  # and their median (d4)
RUN_LENGTH, TREND_LENGTH = 8, 6  # points in a row; customary in the trade, no theorem


@dataclass(frozen=True)
class Chart:
    """Points and limits, one element per period.

    ``sigma`` is the standard error of each point, times ``sigma_z`` where the chart is
    corrected for variation between periods; limits lie 3 of them from the ``centre``.
    """

    rate: Floats
    centre: float
    lower: Floats
    upper: Floats
    sigma: Floats
    sigma_z: float

    @property
    def z(self) -> Floats:
        """Distance of each point from the centre in its sigma."""
        return (self.rate - self.centre) / self.sigma


def p_chart(
    k: ArrayLike, n: ArrayLike, *, centre: float | None = None, laney: bool = False
) -> Chart:
    """Chart of proportions with three-sigma limits for each period's own size.

    Parameters
    ----------
    k, n
        Events and rows per period, in order of time; NaN point and limits where n is 0.
    centre
        Proportion to chart against; all periods pooled when not given.
    laney
        Multiply sigma by the variation of the z-scores, from their moving range: Laney 2002,
        Qual Eng 14:531. It may narrow as well as widen; `Chart.sigma_z` shows which.

    Returns
    -------
    Chart
        Limits held at 0 and 1.

    Raises
    ------
    NotEstimableError
        ``too_few_periods`` below two with rows; ``no_events``, ``all_events``.

    Notes
    -----
    Shewhart 1931; as in the NIST/SEMATECH e-Handbook, section 6.3.3.2.
    """
    rate, units, middle = _points(k, n, centre)
    if middle >= 1:
        raise NotEstimableError("all_events", n_periods=int(np.isfinite(rate).sum()))
    return _chart(rate, middle, np.sqrt(middle * (1 - middle) / units), laney, highest=1.0)


def u_chart(
    count: ArrayLike, size: ArrayLike, *, centre: float | None = None, laney: bool = False
) -> Chart:
    """Chart of events per unit of size, as Poisson counts; with size 1 throughout, a c chart.

    Parameters and errors as in `p_chart`; sections 6.3.3.1 of the same handbook.
    """
    rate, units, middle = _points(count, size, centre)
    return _chart(rate, middle, np.sqrt(middle / units), laney, highest=np.inf)


def _points(k: ArrayLike, n: ArrayLike, centre: float | None) -> tuple[Floats, Floats, float]:
    k, n = np.asarray(k, float), np.asarray(n, float)
    units = np.where(n > 0, n, np.nan)
    if (n_periods := int((n > 0).sum())) < 2:
        raise NotEstimableError("too_few_periods", n_periods=n_periods)
    if k.sum() == 0:
        raise NotEstimableError("no_events", n_periods=n_periods)
    return k / units, units, float(k.sum() / n.sum()) if centre is None else centre


def _chart(rate: Floats, centre: float, sigma: Floats, laney: bool, *, highest: float) -> Chart:
    sigma_z = 1.0
    if laney:
        z = (rate - centre) / sigma
        sigma_z = float(np.abs(np.diff(z[np.isfinite(z)])).mean() / MOVING_RANGE)
    sigma = sigma * sigma_z
    lower = np.maximum(centre - 3 * sigma, 0)
    return Chart(rate, centre, lower, np.minimum(centre + 3 * sigma, highest), sigma, sigma_z)


def exact_chart(k: ArrayLike, n: ArrayLike, *, binomial: bool) -> tuple[Chart, Floats]:
    """Chart with exact limits, for periods too small for a normal approximation.

    Parameters
    ----------
    k, n
        Events and rows (``binomial``), or counts and size, per period in order of time.
    binomial
        Whether events are among the rows; otherwise counts are Poisson.

    Returns
    -------
    tuple
        The chart, and the z-scores for the rules: a whole count's middle probability as a
        normal quantile, over ``sigma_z``. Limits are the whole counts that leave no more than
        0.135% on either side, carried outward by ``sigma_z`` where that exceeds 1 (it is 1
        otherwise); a point signals when it lies beyond them.

    Raises
    ------
    NotEstimableError
        As in `p_chart`.

    Notes
    -----
    The tails are those of three sigma of a normal. Laney's factor is taken from the median of
    the moving ranges, which the one shift sought does not raise; joining it to exact limits is
    our own.
    """
    chart = p_chart(k, n) if binomial else u_chart(k, n)
    units = np.where(np.asarray(n, float) > 0, np.asarray(n, float), np.nan)
    count = np.where(np.isnan(units), np.nan, np.asarray(k, float))
    chances = stats.binom(units, chart.centre) if binomial else stats.poisson(units * chart.centre)
    middle = chances.cdf(count - 1) + chances.pmf(count) / 2
    z = stats.norm.ppf(np.clip(middle, 1e-12, 1 - 1e-12))
    moves = np.median(np.abs(np.diff(z[np.isfinite(z)]))) / MEDIAN_MOVING_RANGE
    sigma_z = max(1.0, float(moves))
    low, high = (chances.ppf(tail) / units for tail in (stats.norm.sf(3), stats.norm.cdf(3)))
    lower = np.maximum(chart.centre - (chart.centre - low) * sigma_z, 0)
    upper = chart.centre + (high - chart.centre) * sigma_z
    upper = np.minimum(upper, 1) if binomial else upper
    wide = Chart(chart.rate, chart.centre, lower, upper, chart.sigma * sigma_z, sigma_z)
    return wide, z / sigma_z


def beyond_limit(z: Floats) -> NDArray[np.bool_]:
    """A point more than three sigma from the centre."""
    return np.abs(z) > 3


def long_run(z: Floats) -> NDArray[np.bool_]:
    """The last of 8 points in a row on one side of the centre."""
    return _in_a_row(z > 0, RUN_LENGTH) | _in_a_row(z < 0, RUN_LENGTH)


def steady_trend(z: Floats) -> NDArray[np.bool_]:
    """The last of 6 points in a row that each lie above, or below, the one before."""
    start = np.zeros_like(z[..., :1], dtype=bool)
    step = np.diff(z, axis=-1)
    up, down = (np.concatenate([start, part], axis=-1) for part in (step > 0, step < 0))
    return _in_a_row(up, TREND_LENGTH - 1) | _in_a_row(down, TREND_LENGTH - 1)


def two_of_three(z: Floats) -> NDArray[np.bool_]:
    """A point beyond two sigma with another of the two before it, on the same side."""
    return _two_of_three(z > 2) | _two_of_three(z < -2)


RULES: dict[str, Callable[[Floats], NDArray[np.bool_]]] = {
    "beyond_limit": beyond_limit,
    "long_run": long_run,
    "steady_trend": steady_trend,
    "two_of_three": two_of_three,
}


def rule_signals(z: ArrayLike) -> pd.DataFrame:
    """Which rule each point completes.

    Parameters
    ----------
    z
        Distances from the centre in sigma, in order of time; NaN where there is no point.

    Returns
    -------
    pandas.DataFrame
        One boolean column per rule (beyond_limit, long_run, steady_trend, two_of_three), one
        line per period; no signal where there is no point.
    """
    z = np.asarray(z, float)
    there = np.isfinite(z)
    table = pd.DataFrame(False, index=range(z.size), columns=list(RULES))
    for name, rule in RULES.items():
        table.loc[there, name] = rule(z[there])
    return table


def false_alarm_rates(n_points: int, *, rng: Generator, n_series: int = 20_000) -> dict[str, float]:
    """Chance that a series without any change sets off each rule at least once, and any rule.

    Parameters
    ----------
    n_points
        Points in the series.
    rng
        Source of the independent standard normal series.
    n_series
        How many to draw; the Monte Carlo error is at most 0.5 / sqrt(n_series).

    Returns
    -------
    dict
        Rule name to chance, and ``any``.
    """
    z = rng.standard_normal((n_series, n_points))
    found = {name: rule(z).any(axis=1) for name, rule in RULES.items()}
    found["any"] = np.any(list(found.values()), axis=0)
    return {name: float(signal.mean()) for name, signal in found.items()}


@dataclass(frozen=True)
class RunChart:
    """Runs about the median: the longest one and the crossings, beside what chance allows.

    ``n_useful`` counts the points that are not on the median.
    """

    median: float
    n_useful: int
    longest_run: int
    longest_allowed: int
    n_crossings: int
    fewest_allowed: int

    @property
    def is_shifted(self) -> bool:
        """Whether the runs are longer, or the crossings fewer, than chance allows."""
        return self.longest_run > self.longest_allowed or self.n_crossings < self.fewest_allowed


def run_chart(values: ArrayLike) -> RunChart:
    """Judge a series by its runs about the median, without any limits.

    Anhoj & Olesen 2014, PLoS ONE 9:e113825: longest run at most round(log2(n) + 3), crossings
    at least the 5% point of a binomial with n - 1 and one half. NaN and points on the median
    are left out. Raises ``too_few_points`` when fewer than two are left.
    """
    x = np.asarray(values, float)
    x = x[np.isfinite(x)]
    median = float(np.median(x)) if x.size else np.nan
    above = x[x != median] > median
    if above.size < 2:
        raise NotEstimableError("too_few_points", n_points=int(above.size))
    turns = np.flatnonzero(np.diff(above)) + 1
    longest = int(np.diff(np.r_[0, turns, above.size]).max())
    allowed, fewest = run_chart_limits(above.size)
    return RunChart(median, above.size, longest, allowed, turns.size, fewest)


def run_chart_limits(n_useful: int) -> tuple[int, int]:
    """Longest run and fewest crossings that chance allows among ``n_useful`` points."""
    fewest = int(stats.binom.ppf(0.05, n_useful - 1, 0.5))
    return int(np.round(np.log2(n_useful) + 3)), fewest


def _in_a_row(flags: NDArray[np.bool_], length: int) -> NDArray[np.bool_]:
    total = np.cumsum(flags, axis=-1)
    before = np.zeros_like(total)
    before[..., length:] = total[..., :-length]
    complete = np.arange(flags.shape[-1]) >= length - 1
    return (total - before == length) & complete


def _two_of_three(far: NDArray[np.bool_]) -> NDArray[np.bool_]:
    one, two = np.zeros_like(far), np.zeros_like(far)
    one[..., 1:], two[..., 2:] = far[..., :-1], far[..., :-2]
    return far & (one | two)
