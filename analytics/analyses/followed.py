"""Feet under an endpoint: from when each was at risk, until when, and how it ended."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import pandas as pd

from analytics.courses.cohort import Cohort
from analytics.definitions.endpoints import Endpoint
from analytics.definitions.rules import evaluate
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
    feet = cohort.feet
    inside = evaluate(endpoint.population, feet, cohort.protocol).fillna(False)
    begun = inside & feet[endpoint.origin].notna()
    rows = _timed(feet.loc[begun], endpoint)
    seen = rows["time_days"] > rows["entry_days"]
    out = (
        ("outside_population", int((~inside).sum())),
        (f"no_{endpoint.origin}", int((inside & ~begun).sum())),
        ("not_seen_after_origin", int((~seen).sum())),
    )
    return Followed(rows.loc[seen], tuple(pair for pair in out if pair[1]))


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


def _timed(feet: pd.DataFrame, endpoint: Endpoint) -> pd.DataFrame:
    origin = feet[endpoint.origin]
    event = _earliest(feet, endpoint.events, after=origin)
    other = _earliest(feet, endpoint.competing, after=origin)
    is_event = event.notna() & ~(other < event)
    is_other = other.notna() & ~is_event
    until = feet[endpoint.until].fillna(feet["last_seen_on"])
    end = event.where(is_event, other.where(is_other, until))
    entry = pd.Series(0, index=feet.index, dtype="int64")
    if endpoint.enters:
        entry = (feet[endpoint.enters] - origin).dt.days.clip(lower=0).fillna(0).astype("int64")
    free = pd.Series(pd.NA, index=feet.index, dtype="Int64")
    if endpoint.seen_free:
        free = (feet[endpoint.seen_free] - origin).dt.days.clip(lower=0).astype("Int64")
    return feet.assign(
        entry_days=entry,
        time_days=(end - origin).dt.days.fillna(-1).astype("int64"),
        ended=np.select([is_event, is_other], [EVENT, COMPETING], CENSORED),
        free_days=free.where(is_event),
    )


def _earliest(feet: pd.DataFrame, names: tuple[str, ...], *, after: pd.Series) -> pd.Series:
    """Return the earliest of some dates that lies after a day."""
    if not names:
        return pd.Series(pd.NaT, index=feet.index, dtype=after.dtype)
    dates = feet[list(names)]
    return dates.where(dates.gt(after, axis=0)).min(axis=1)
