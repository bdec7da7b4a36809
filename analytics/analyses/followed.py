"""Feet under an endpoint: from when each was at risk, until when, and how it ended."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import pandas as pd

from analytics.analyses.view import View
from analytics.courses.cohort import Cohort
from analytics.definitions.endpoints import Endpoint
from analytics.definitions.plain_columns import Values, days_between
from analytics.intake.frames import with_columns
from analytics.results import Phrase

#: How a foot's time ended.
CENSORED, EVENT, COMPETING = 0, 1, 2


@dataclass(frozen=True)
class Followed:
    """Feet at risk of an endpoint's event.

    Parameters
    ----------
    rows
        The feet that were seen after the origin, with their columns and ``entry_days``,
        ``time_days`` (at risk on (entry, time]), ``ended`` (0 censored, 1 event, 2 competing) and
        ``free_days`` (last known free of the event; missing where the day is exact).
    exclusions
        Reason (a label key) and feet taken out by it.
    """

    rows: pd.DataFrame
    exclusions: tuple[tuple[str, int], ...]


@dataclass(frozen=True, eq=False)
class Timed:
    """The same as plain arrays.

    Parameters
    ----------
    inside
        (feet,) whether the endpoint is asked of a foot whose origin is known.
    place
        (n,) places of the feet that were seen after the origin.
    entry, time, ended
        (n,) of these feet.
    free
        (n,) days; not known where the day of the event is exact.
    exclusions
        As of :class:`Followed`.
    """

    inside: np.ndarray
    place: np.ndarray
    entry: np.ndarray
    time: np.ndarray
    ended: np.ndarray
    free: Values
    exclusions: tuple[tuple[str, int], ...]


def follow(cohort: Cohort, endpoint: Endpoint) -> Followed:
    """Return the feet under an endpoint.

    Parameters
    ----------
    cohort
        Feet at the cut-off.
    endpoint
        The question.

    Notes
    -----
    Without an event a foot is censored on the day it was last seen, not at the cut-off: nobody
    knows how a foot fares that nobody looked at. An endpoint whose event needs no visit to be
    known names another day (``until``).
    """
    timed = time_feet(View(cohort), endpoint)
    rows = with_columns(
        cohort.feet.iloc[timed.place],
        entry_days=timed.entry,
        time_days=timed.time,
        ended=timed.ended,
        free_days=pd.arrays.IntegerArray(timed.free.held, ~timed.free.known),
    )
    return Followed(rows, timed.exclusions)


def time_feet(view: View, endpoint: Endpoint) -> Timed:
    """Return the feet under an endpoint as plain arrays; see :func:`follow`."""
    return view.once(endpoint, lambda: _time(view, endpoint))


def _time(view: View, endpoint: Endpoint) -> Timed:
    asked = view.rules.read(endpoint.population).yes
    origin = view.rules.values(endpoint.origin)
    inside = asked & origin.known
    end, ended = _find_end(view, endpoint, origin)
    time = days_between(origin, end)
    entry = np.zeros(len(view), dtype=np.int64)
    if endpoint.enters:
        entered = days_between(origin, view.rules.values(endpoint.enters))
        entry = np.where(entered.known, np.maximum(entered.held, 0), 0)
    free = Values(entry, np.zeros(len(view), dtype=bool))
    if endpoint.seen_free:
        seen_free = days_between(origin, view.rules.values(endpoint.seen_free))
        free = Values(np.maximum(seen_free.held, 0), seen_free.known & (ended == EVENT))
    seen = inside & time.known & (time.held > entry)
    place = np.flatnonzero(seen)
    out = (
        ("outside_population", int((~asked).sum())),
        (f"no_{endpoint.origin}", int((asked & ~inside).sum())),
        ("not_seen_after_origin", int(inside.sum()) - len(place)),
    )
    return Timed(
        inside,
        place,
        entry[place],
        time.held[place],
        ended[place],
        Values(free.held[place], free.known[place]),
        tuple(pair for pair in out if pair[1]),
    )


def extend_to_cut_off(cohort: Cohort, endpoint: Endpoint, rows: pd.DataFrame) -> pd.DataFrame:
    """Return followed feet, those in care without an event censored at the cut-off.

    Parameters
    ----------
    cohort
        Feet at the cut-off.
    endpoint
        The question the feet were followed for.
    rows
        Rows of :func:`follow`.

    Notes
    -----
    A foot whose next visit lies after the cut-off leaves the risk set at its last visit, although
    an event seen before the cut-off would be known. So too many of those at risk are at a visit,
    where events are seen, and the hazard comes out too high (``tests/benchmarks/calibration.md``).
    This takes every foot in care to be still coming.
    """
    in_care = rows["status"].eq("in_care").fillna(False) & rows["ended"].eq(CENSORED)
    whole = (pd.Timestamp(cohort.cut_off) - rows[endpoint.origin]).dt.days.astype("int64")
    return rows.assign(time_days=rows["time_days"].where(~in_care, whole))


def find_reached(
    rows: pd.DataFrame, measures: Mapping[str, int], *, needed: int
) -> tuple[np.ndarray, tuple[Phrase, ...]]:
    """Return which horizons enough children were followed to, and notes on the others.

    Parameters
    ----------
    rows
        Rows of :func:`follow`.
    measures
        Measure to its horizon in days.
    needed
        Fewest children.
    """
    still = [rows.loc[rows["time_days"] >= days, "child"].nunique() for days in measures.values()]
    notes = tuple(
        Phrase(
            "note.not_reached",
            {"measure": Phrase(f"measure.{name}"), "n_children": n, "needed": needed},
        )
        for name, n in zip(measures, still, strict=True)
        if n < needed
    )
    return np.array(still, dtype=np.int64) >= needed, notes


def _find_end(view: View, endpoint: Endpoint, origin: Values) -> tuple[Values, np.ndarray]:
    """Return the day on which the time of each foot ends, and how."""
    event = _earliest(view, endpoint.events, origin)
    other = _earliest(view, endpoint.competing, origin)
    is_event = event.known & ~(other.known & (other.held < event.held))
    is_other = other.known & ~is_event
    end = _else(view.rules.values(endpoint.until), view.rules.values("last_seen_on"))
    for is_so, day in ((is_other, other), (is_event, event)):
        end = Values(np.where(is_so, day.held, end.held), is_so | end.known, "date")
    return end, np.select([is_event, is_other], [EVENT, COMPETING], CENSORED)


def _earliest(view: View, names: tuple[str, ...], origin: Values) -> Values:
    """Return the earliest of some dates that lies after the origin."""
    never = np.iinfo(np.int64).max
    first = np.full(len(view), never)
    for name in names:
        day = view.rules.values(name)
        is_after = day.known & origin.known & (day.held > origin.held)
        np.minimum(first, day.held, out=first, where=is_after)
    return Values(first, first < never, "date")


def _else(one: Values, other: Values) -> Values:
    """Return the one date where it is known, the other one elsewhere."""
    held = np.where(one.known, one.held, other.held)
    return Values(held, one.known | other.known, "date")
