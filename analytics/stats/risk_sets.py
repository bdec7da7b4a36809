"""Who is at risk at each event, as two matching sums: over rows, and along a row's time."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from analytics.stats.blocks import add_by_key
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
        Checked rows with at least one event of code 1; other codes end a row like censoring.
    strata
        (n,) whole numbers from 0, or ``None`` for one stratum.

    Returns
    -------
    RiskSets
        Rows in the order given.
    """
    points = find_points([list_events(spells, strata)])
    return place_in_points(spells, strata, points)


@dataclass(frozen=True, slots=True, eq=False)
class Points:
    """Event points of all rows, or of the strata of a block.

    Parameters
    ----------
    ends
        (E,) sorted distinct times with an event in any stratum.
    key
        (K,) sorted ``stratum * (E + 1) + place of the time among the ends, from 1``.
    n_tied
        (K,) rows with the event at each.
    """

    ends: np.ndarray
    key: np.ndarray
    n_tied: np.ndarray

    @property
    def stratum(self) -> np.ndarray:
        """Return the stratum of each point."""
        return self.key // (len(self.ends) + 1)


def list_events(spells: Spells, strata: np.ndarray | None) -> tuple[np.ndarray, ...]:
    """Return strata and times with an event of code 1, and how many there; sorted, (k,) each."""
    is_event = spells.event == 1
    layer = np.zeros(int(is_event.sum()), dtype=np.int64) if strata is None else strata[is_event]
    ends, rank = distinct(spells.time[is_event])
    key, place = distinct(layer * max(len(ends), 1) + rank)
    n_tied = np.bincount(place, minlength=len(key))
    return key // max(len(ends), 1), ends[key % max(len(ends), 1)], n_tied


def find_points(events: Sequence[tuple[np.ndarray, ...]]) -> Points:
    """Return the event points of all rows, from the events of each block."""
    ends = np.unique(np.concatenate([times for _, times, _ in events]))
    width = len(ends) + 1
    keys = [layer * width + n_up_to(ends, times) for layer, times, _ in events]
    return Points(ends, *add_by_key(keys, [n_tied for _, _, n_tied in events]))


def place_in_points(spells: Spells, strata: np.ndarray | None, points: Points) -> RiskSets:
    """Return the stretch of points at which each row is at risk; its stratum may have others too.

    Parameters
    ----------
    spells, strata
        Rows, all or those of a block.
    points
        All event points of their strata.
    """
    layer = np.zeros(len(spells.time), dtype=np.int64) if strata is None else strata
    width = len(points.ends) + 1
    place = layer * width + n_up_to(points.ends, spells.time)
    begun = layer * width
    if spells.entry is not None:
        begun = begun + n_up_to(points.ends, spells.entry)
    return RiskSets(
        times=points.ends[points.key % width - 1],
        stratum=points.stratum,
        opened=n_up_to(points.key, begun),
        closed=n_up_to(points.key, place),
        is_event=spells.event == 1,
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
    return terms_of(n_tied, total, ties=ties)


def terms_of(n_tied: np.ndarray, total: np.ndarray, *, ties: str) -> TieTerms:
    """List the terms of points with so many tied events, of so much weight."""
    n_points = len(n_tied)
    if ties == "breslow":
        return TieTerms(np.arange(n_points), np.zeros(n_points), total)
    point = np.repeat(np.arange(n_points), n_tied)
    first = np.cumsum(n_tied) - n_tied
    position = np.arange(len(point)) - first[point]
    return TieTerms(point, position / n_tied[point], (total / n_tied)[point])


def _from_the_end(counts: np.ndarray) -> np.ndarray:
    # From the last point backwards: the small sums near the end keep their precision.
    return np.cumsum(counts[::-1])[::-1][1:]
