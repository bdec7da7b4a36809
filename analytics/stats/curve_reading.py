"""What is read from a survival curve: values at given times, quantiles, horizon, counts."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike

from analytics.errors import NotEstimableError
from analytics.stats.spells import Spells, require_single_cause
from analytics.stats.survival import NEAR_EDGE, SurvivalCurve

# Slack when a curve is compared with a level, so that 0.5 reached through products of fractions
# counts as 0.5; far below any step of a curve on fewer than a billion rows.
LEVEL_SLACK = 1e-12


@dataclass(frozen=True, slots=True)
class Quantile:
    """Time by which a share of the rows had the event; ``None`` is "not reached"."""

    share: float
    estimate: float | None
    lower: float | None
    upper: float | None


def read_curve(curve: SurvivalCurve, times: ArrayLike) -> pd.DataFrame:
    """Read a curve at given times, never beyond the last time observed.

    Parameters
    ----------
    curve
        A survival curve.
    times
        (k,) times in the curve's unit, not negative.

    Returns
    -------
    pandas.DataFrame
        ``time``, ``estimate``, ``se``, ``lower``, ``upper``, ``beyond_follow_up``; where the
        last is True the four values are NaN. Before the first event the curve is 1, its lower
        limit that of :func:`none_yet`.
    """
    at = np.asarray(times, dtype=float).reshape(-1)
    beyond = at > curve.times[-1]
    index = np.searchsorted(curve.times, at, side="right")
    read = {"time": at}
    starts = {"estimate": 1.0, "se": 0.0, "lower": 1.0, "upper": 1.0}
    for name, start in starts.items():
        start = np.nan if name != "estimate" and "no_events" in curve.notes else start
        values = np.append(start, getattr(curve, name))[index]
        read[name] = np.where(beyond, np.nan, values)
    still = np.append(curve.clusters_at_risk, 0)[np.searchsorted(curve.times, at, side="left")]
    none = read["estimate"] >= 1 - NEAR_EDGE
    read["lower"] = none_yet(read["estimate"], read["lower"], still, conf_level=curve.conf_level)
    read["upper"] = np.where(none, 1.0, read["upper"])
    return pd.DataFrame({**read, "beyond_follow_up": beyond})


def none_yet(
    estimate: np.ndarray, lower: np.ndarray, still: np.ndarray, *, conf_level: float = 0.95
) -> np.ndarray:
    """Return lower limits that are exact where nothing has happened yet.

    There a curve's own limit would claim certainty, or nothing; with no event among ``still``
    units the exact two-sided limit is ``((1 - level) / 2) ** (1 / still)`` (Clopper and Pearson
    1934, Biometrika 26:404, for none of n).

    Parameters
    ----------
    estimate, lower
        (T,) probability of being free, and its lower limit.
    still
        (T,) clusters still followed at each time; where 0, nothing is claimed.
    conf_level
        Level of the limits.
    """
    followed = np.where(still > 0, still, np.nan)
    return np.where(estimate >= 1 - NEAR_EDGE, ((1 - conf_level) / 2) ** (1 / followed), lower)


def quantile(curve: SurvivalCurve, share: float = 0.5) -> Quantile:
    """Return the first time at which at least a share of the rows had the event.

    Limits by inverting the pointwise limits, Brookmeyer and Crowley (1982) Biometrics 38:29.
    R's ``quantile.survfit`` instead takes the middle of a flat stretch lying exactly on the
    level.

    Parameters
    ----------
    curve
        A survival curve.
    share
        Between 0 and 1; 0.5 gives the median.

    Returns
    -------
    Quantile
        ``None`` in place of each value that was not reached.

    Raises
    ------
    NotEstimableError
        ``share_outside_0_1``.
    """
    if not 0 < share < 1:
        raise NotEstimableError("share_outside_0_1", share=share)
    level = 1 - share + LEVEL_SLACK

    def first_below(values: np.ndarray) -> float | None:
        # A limit is NaN from where the curve is 0; it is then no longer known to be reached.
        reached = np.flatnonzero(values <= level)
        return float(curve.times[reached[0]]) if len(reached) else None

    return Quantile(
        share=share,
        estimate=first_below(curve.estimate),
        lower=first_below(curve.lower),
        upper=first_below(curve.upper),
    )


def last_time_with(curve: SurvivalCurve, n_clusters: int) -> float | None:
    """Return the last time at which at least so many clusters were at risk.

    Parameters
    ----------
    curve
        A survival curve.
    n_clusters
        Fewest clusters (rows, without clusters) for which a curve may still be shown.

    Returns
    -------
    float or None
        The time, or ``None`` if there never were so many.
    """
    enough = np.flatnonzero(curve.clusters_at_risk >= n_clusters)
    return float(curve.times[enough[-1]]) if len(enough) else None


def risk_table(spells: Spells, ticks: ArrayLike) -> pd.DataFrame:
    """Count, at each tick, rows at risk and those already ended, adding up to all rows.

    Morris and others (2019) BMJ Open 9:e030215, the extended table under a survival plot.

    Parameters
    ----------
    spells
        Checked rows.
    ticks
        (k,) times; a row that ends exactly at a tick is still at risk there.

    Returns
    -------
    pandas.DataFrame
        ``time``, ``not_entered``, ``at_risk``, ``censored``, ``events`` (both before the tick);
        the last four add up to the number of rows in every line.
    """
    require_single_cause(spells)
    at = np.asarray(ticks, dtype=float)
    if np.isnan(at).any():
        raise NotEstimableError("missing_values", column="ticks", n_missing=int(np.isnan(at).sum()))

    def n_below(values: np.ndarray) -> np.ndarray:
        return np.searchsorted(np.sort(values), at, side="left")

    ended = n_below(spells.time)
    events = n_below(spells.time[spells.event == 1])
    waiting = np.zeros(len(at), dtype=int)
    if spells.entry is not None:
        waiting = len(spells.time) - n_below(spells.entry)
    return pd.DataFrame(
        {
            "time": at,
            "not_entered": waiting,
            "at_risk": len(spells.time) - ended - waiting,
            "censored": ended - events,
            "events": events,
        }
    )
