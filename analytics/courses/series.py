"""Cast series: which casts belong together, and what the first series of each foot was."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from analytics.courses.days import Days
from analytics.courses.segments import (
    NEVER,
    Flags,
    Ints,
    as_counts,
    as_flags,
    ends,
)
from analytics.courses.stretches import Stretches
from analytics.courses.timeline import Timeline
from analytics.definitions.protocol import Protocol
from analytics.intake.runs import changes


@dataclass(frozen=True)
class Casts:
    """One entry per day with a cast, in the order of feet and days.

    Parameters
    ----------
    at
        Its place in ``Days``.
    foot, day
        Which foot and when.
    row
        The visit that stands for it: the cast visit, else the tenotomy visit that carried it.
    series
        1 for the first series of the foot, 2 and so on for later ones.
    order
        Place in its series by the dates, from 1.
    is_last
        Whether it is the last of its series.
    gap
        Days since the cast before it in the series; 0 for the first.
    """

    at: Ints
    foot: Ints
    day: Ints
    row: Ints
    series: Ints
    order: Ints
    is_last: Flags
    gap: Ints


def find_casts(
    timeline: Timeline, days: Days, stretches: Stretches, *, protocol: Protocol
) -> Casts:
    """Return the casts of all feet with their series.

    Casts belong together until the foot is corrected or braced, or until there was no treatment
    for longer than the protocol's gap. The dates decide; recorded numbers are only compared.
    """
    course = _number_courses(days, stretches, protocol)
    is_cast = days.is_cast | _is_carried(days, course, protocol)
    at = np.flatnonzero(is_cast)
    foot, day, of = days.foot[at], days.day[at], course[at]
    is_first = changes(foot, of)
    starts = np.flatnonzero(is_first)
    n_series = np.cumsum(is_first)
    order = np.arange(len(at)) - starts[n_series - 1] + 1
    gap = np.where(is_first, 0, np.diff(day, prepend=0))
    is_foot_start = changes(foot)
    before = (n_series - 1)[is_foot_start]
    series = n_series - before[np.cumsum(is_foot_start) - 1]
    row = _find_rows(timeline)[at]
    return Casts(at, foot, day, row, series, order, ends(n_series), gap)


def _number_courses(days: Days, stretches: Stretches, protocol: Protocol) -> Ints:
    """Return for each day the course of treatment that it belongs to, -1 before the first.

    The number goes up where the stretch before ended with correction or a brace, or was too long.
    """
    closed = (stretches.corrected < NEVER) | _is_braced(days, stretches)
    long = stretches.until - stretches.day > protocol.new_series_days
    breaks = np.ones(len(stretches.foot), dtype=bool)
    breaks[1:] = stretches.is_last[:-1] | closed[:-1] | long[:-1]
    return np.append(np.cumsum(breaks), -1)[stretches.of]


def _is_braced(days: Days, stretches: Stretches) -> Flags:
    of = stretches.of[np.flatnonzero(days.is_brace_fitting)]
    is_braced = np.zeros(len(stretches.at), dtype=bool)
    is_braced[of[of >= 0]] = True
    return is_braced & ~stretches.is_last


def _is_carried(days: Days, course: Ints, protocol: Protocol) -> Flags:
    """Return tenotomy visits of a running series that must have ended with a cast.

    A tenotomy is closed with a cast. Where the cast has no line of its own on that day or within
    the shortest interval, the tenotomy visit stands for it; a tenotomy of a foot that was never
    cast before, or not since correction, does not.
    """
    asked = np.flatnonzero(days.is_tenotomy_visit & ~days.is_cast)
    cast = np.flatnonzero(days.is_cast)
    carried = np.zeros(len(days.day), dtype=bool)
    if not len(cast) or not len(asked):
        return carried
    place = np.searchsorted(cast, asked)
    earlier = cast[np.maximum(place - 1, 0)]
    later = cast[np.minimum(place, len(cast) - 1)]
    running = (place > 0) & (course[earlier] == course[asked])
    wait = days.day[later] - days.day[asked]
    soon = (later > asked) & (days.foot[later] == days.foot[asked])
    soon &= wait < protocol.cast_interval_shortest
    carried[asked[running & ~soon]] = True
    return carried


def _find_rows(timeline: Timeline) -> Ints:
    """Return the visit that stands for each day: a cast, else a tenotomy, else the first."""
    row = timeline.row_starts.copy()
    for purpose in ("tenotomy", "cast"):
        at = np.flatnonzero(timeline.is_one("purpose", purpose))[::-1]
        row[timeline.day_of_row[at]] = at
    return row


def derive_series(timeline: Timeline, casts: Casts, is_after: Flags) -> pd.DataFrame:
    """Return the visits with the series of each cast.

    Parameters
    ----------
    timeline
        Visits in order.
    casts
        Casts of all feet.
    is_after
        Which casts went on at or after the tenotomy of the foot.

    Returns
    -------
    DataFrame
        The same rows with ``series``, ``cast_order`` (place in the series by the dates) and
        ``is_after_tenotomy``; missing for visits that are no cast.
    """
    n = len(timeline.day_of_row)
    known = np.zeros(n, dtype=bool)
    known[casts.row] = True
    columns = {"series": casts.series, "cast_order": casts.order, "is_after_tenotomy": is_after}
    wide = {name: np.zeros(n, dtype=np.int64) for name in columns}
    for name, values in columns.items():
        wide[name][casts.row] = values
    return timeline.show_visits().assign(
        series=as_counts(wide["series"], known),
        cast_order=as_counts(wide["cast_order"], known),
        is_after_tenotomy=as_flags(wide["is_after_tenotomy"] > 0, known),
    )
