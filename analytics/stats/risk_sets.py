"""Who is at risk at each event, as two matching sums: over rows, and along a row's time."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from analytics.stats.distinct import distinct, n_up_to
from analytics.stats.spells import Spells


@dataclass(frozen=True, slots=True, eq=False)
class LateStay:
    """Rows that stay in later risk sets with weight ``weight[row] * scale[point]``.

    Parameters
    ----------
    weight
        (n,) 0 for rows that leave at their end.
    scale
        (K,) per point.
    """

    weight: np.ndarray
    scale: np.ndarray


@dataclass(frozen=True, slots=True, eq=False)
class RiskSets:
    """Event points (a stratum and a time with an event) and the stretch each row is at risk.

    Parameters
    ----------
    times, stratum
        (K,) time and stratum of each point, sorted by stratum, then time.
    opened, closed
        (n,) a row is at risk at the points from ``opened`` up to, not including, ``closed``.
    is_event
        (n,) rows that end by the event; their point is ``closed - 1``.
    row_stratum
        (n,) stratum of each row; ``None``: one stratum.
    late
        Rows that stay after their end; ``None`` where rows leave when they end.
    """

    times: np.ndarray
    stratum: np.ndarray
    opened: np.ndarray
    closed: np.ndarray
    is_event: np.ndarray
    row_stratum: np.ndarray | None = None
    late: LateStay | None = None

    def sum_over_rows(self, values: np.ndarray) -> np.ndarray:
        """Sum (n,) values over the rows at risk at each point; (K,)."""
        n_points = len(self.times)
        gone = np.bincount(self.closed, weights=values, minlength=n_points + 1)
        at_risk = _from_the_end(gone)
        if self.opened.any():
            came = np.bincount(self.opened, weights=values, minlength=n_points + 1)
            at_risk = at_risk - _from_the_end(came)
        if self.late is not None:
            stays = values * self.late.weight
            late = np.bincount(self.closed, weights=stays, minlength=n_points + 1)
            at_risk = at_risk + self.late.scale * np.cumsum(late)[:-1]
        return at_risk

    def sum_along_time(self, values: np.ndarray) -> np.ndarray:
        """Sum (K,) values over the points at which each row is at risk; (n,)."""
        total = np.append(0.0, np.cumsum(values))
        along = total[self.closed]
        if self.opened.any():
            along -= total[self.opened]
        if self.late is not None:
            scaled = np.append(0.0, np.cumsum(values * self.late.scale))
            along += self.late.weight * (scaled[-1] - scaled[self.closed])
        return along

    def at_own_event(self, values: np.ndarray) -> np.ndarray:
        """Read (K,) values at the point of each row's own event, 0 for other rows; (n,)."""
        read = np.zeros(len(self.closed))
        if values.any():
            rows = np.flatnonzero(self.is_event)
            read[rows] = values[self.closed[rows] - 1]
        return read


@dataclass(frozen=True, slots=True, eq=False)
class TieTerms:
    """One term of the partial likelihood per line.

    Breslow has one term per point, Efron one per event, the j-th (from 0) of d tied events
    taking the fraction j / d of the tied rows out of the risk set.

    Parameters
    ----------
    point
        (L,) index of the point.
    fraction
        (L,) share of the tied rows that is taken out.
    weight
        (L,) weight of the term.
    """

    point: np.ndarray
    fraction: np.ndarray
    weight: np.ndarray


def find_risk_sets(spells: Spells, strata: np.ndarray | None = None) -> RiskSets:
    """Find the event points, and the stretch of points at which each row is at risk.

    Parameters
    ----------
    spells
        Checked rows; those of code 1 are the events, other codes end a row like censoring.
    strata
        (n,) whole numbers from 0, or ``None`` for one stratum.

    Returns
    -------
    RiskSets
        Rows in the order given.
    """
    is_event = spells.event == 1
    layer = np.zeros(len(spells.time), dtype=np.int64) if strata is None else strata
    ends, rank = distinct(spells.time[is_event])
    # A point is its stratum and the place of its time among the ends, from 1, in one number.
    width = len(ends) + 1
    points = distinct(layer[is_event] * width + rank + 1)[0]
    begun = layer * width
    opened = begun if spells.entry is None else begun + n_up_to(ends, spells.entry)
    return RiskSets(
        times=ends[points % width - 1],
        stratum=points // width,
        opened=n_up_to(points, opened),
        closed=n_up_to(points, begun + n_up_to(ends, spells.time)),
        is_event=is_event,
        row_stratum=strata,
    )


def tie_terms(sets: RiskSets, weights: np.ndarray | None, *, ties: str) -> TieTerms:
    """List the terms of the partial likelihood under a rule for ties.

    Parameters
    ----------
    sets
        Risk sets.
    weights
        (n,) weights of the rows, or ``None``; tied events share their mean weight.
    ties
        ``efron`` or ``breslow``.

    Returns
    -------
    TieTerms
        Terms, sorted by point.
    """
    n_points = len(sets.times)
    own = sets.closed[sets.is_event] - 1
    n_tied = np.bincount(own, minlength=n_points)
    weighed = None if weights is None else weights[sets.is_event]
    total = np.bincount(own, weights=weighed, minlength=n_points).astype(float)
    if ties == "breslow":
        return TieTerms(np.arange(n_points), np.zeros(n_points), total)
    point = np.repeat(np.arange(n_points), n_tied)
    first = np.cumsum(n_tied) - n_tied
    position = np.arange(len(point)) - first[point]
    return TieTerms(point, position / n_tied[point], (total / n_tied)[point])


def _from_the_end(counts: np.ndarray) -> np.ndarray:
    # From the last point backwards: the small sums near the end keep their precision.
    return np.cumsum(counts[::-1])[::-1][1:]
