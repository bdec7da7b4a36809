"""Who the foot belongs to, and how stiff it was when casting began."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd

from analytics.courses.course import Course
from analytics.courses.segments import (
    NEVER,
    Floats,
    Ints,
    as_counts,
    as_dates,
    as_days,
    as_flags,
    as_numbers,
    days_between,
    last_index,
    take,
)
from analytics.definitions.codes import SIDES
from analytics.definitions.columns import EXTRA_PREFIX
from analytics.definitions.foot_facts import SEVERITY_BANDS
from analytics.definitions.protocol import Protocol
from analytics.intake.records import Records
from analytics.intake.texts import coded_column, coded_frame, from_codes

#: What is known of a foot: nothing is written of it, not whether it is affected, that it is or not.
UNSEEN, UNKNOWN, NO, YES = -2, -1, 0, 1

FROM_CHILD = (
    "sex", "birth_on", "diagnosis", "prior_treatment", "family_history", "travel_minutes",
    "enrolled_on",
)  # fmt: skip


def derive_baseline(course: Course, records: Records) -> dict[str, Any]:
    """Return the columns ``definitions.foot_facts.BASELINE``, ``has_tenotomy`` and extra ones.

    ``is_affected`` says which feet have clubfoot: said so, or in a cast.
    """
    timeline, started = course.timeline, course.milestones.started
    child = _take_facts(course, records.children)
    clinic = _find_clinic(course)
    born, enrolled = (as_days(pd.Series(child[name])) for name in ("birth_on", "enrolled_on"))
    rows_of_feet = _place_rows(timeline.find_feet(records.feet), timeline.n_sides)
    states = _find_states(course, records.feet, rows_of_feet)
    other = states[timeline.number ^ 1]
    return child | {
        "child": timeline.children.take(timeline.child),
        "side": from_codes(timeline.side, SIDES),
        "clinic": clinic,
        "country": _find_country(clinic, records.clinics),
        "atypical": coded_column(records.feet["atypical"]).take(
            rows_of_feet[timeline.number], allow_fill=True
        ),
        # No when nothing at all was written about the other foot; missing when it was written
        # about but never said to be affected or not.
        "bilateral": as_flags(other == YES, other != UNKNOWN),
        "enrolled_on": as_dates(np.where(enrolled < NEVER, enrolled, _first_of_child(course))),
        "started_on": as_dates(started),
        "quarter": _name_quarter(started),
        "age_start_days": days_between(born, started),
        "is_affected": states[timeline.number] == YES,
        "has_tenotomy": as_flags(
            course.milestones.tenotomy < NEVER, child["prior_treatment"] != "tenotomy"
        ),
        **_derive_severity(course),
    }


def _find_states(course: Course, feet: pd.DataFrame, rows_of_feet: Ints) -> Ints:
    """Return what is known of both feet of the children seen, by ``timeline.number_feet``."""
    said, own = feet["affected"].array, course.timeline.number
    told = np.where(said.isna(), UNKNOWN, said.to_numpy(dtype=bool, na_value=False))
    states = np.append(told, UNSEEN)[rows_of_feet]
    seen = np.where(course.milestones.is_started, YES, UNKNOWN)
    states[own] = np.maximum(states[own], seen)
    return states


def _take_facts(course: Course, children: pd.DataFrame) -> dict[str, Any]:
    """Return facts of each foot's child, missing where the table has none; texts are coded."""
    timeline = course.timeline
    carried = [name for name in children.columns if name.startswith(EXTRA_PREFIX)]
    facts = coded_frame(children[[*FROM_CHILD, *carried]])
    places = _place_rows(timeline.find_children(children["child"]), len(timeline.children))
    at = places[timeline.child]
    return {name: facts[name].array.take(at, allow_fill=True) for name in facts.columns}


def _place_rows(numbers: Ints, n: int) -> Ints:
    """Return the row of a table that has each number below ``n``, -1 for none."""
    rows = np.flatnonzero(numbers >= 0)
    if np.bincount(numbers[rows], minlength=1).max() > 1:
        raise ValueError("a table has one child, or one foot, twice")
    places = np.full(n, -1, dtype=np.int64)
    places[numbers[rows]] = rows
    return places


def _find_clinic(course: Course) -> pd.Categorical:
    """Return the clinic of the first cast, else of the first visit."""
    casts = course.casts
    row = course.timeline.row_starts[course.days.starts]
    first = np.flatnonzero((casts.series == 1) & (casts.order == 1))
    row[casts.foot[first]] = casts.row[first]
    return course.timeline.pick("clinic", row)


def _find_country(clinic: pd.Categorical, clinics: pd.DataFrame) -> pd.Categorical:
    country = coded_column(clinics["country"])
    place = pd.Index(coded_column(clinics["clinic"]).astype(object)).get_indexer(clinic.categories)
    of_clinic = np.append(country.codes, -1)[place]
    return from_codes(np.append(of_clinic, -1)[clinic.codes], country.categories)


def _first_of_child(course: Course) -> Ints:
    first = np.full(len(course.timeline.children), NEVER, dtype=np.int64)
    np.minimum.at(first, course.timeline.child, course.days.day[course.days.starts])
    return first[course.timeline.child]


def _name_quarter(days: Ints) -> pd.Categorical:
    """Return the quarter of each day, as 2024Q1."""
    known = days < NEVER
    months = np.where(known, days, 0).astype("datetime64[D]").astype("datetime64[M]")
    quarter = months.astype(np.int64) // 3
    first, last = int(quarter.min(initial=0)), int(quarter.max(initial=0))
    names = [f"{1970 + number // 4}Q{number % 4 + 1}" for number in range(first, last + 1)]
    return from_codes(np.where(known, quarter - first, -1), names)


def _derive_severity(course: Course) -> dict[str, Any]:
    """Return the last scores at or before the first cast; parts from the day of the total."""
    days = course.days
    before = course.since(course.milestones.started) <= 0
    at = last_index(before & ~np.isnan(days.pirani), days.by_foot)
    pirani = take(days.pirani, at, np.nan)
    dimeglio = take(
        days.dimeglio, last_index(before & ~np.isnan(days.dimeglio), days.by_foot), np.nan
    )
    known = ~np.isnan(dimeglio)
    return {
        "pirani_start": as_numbers(pirani),
        "midfoot_start": as_numbers(take(days.midfoot, at, np.nan)),
        "hindfoot_start": as_numbers(take(days.hindfoot, at, np.nan)),
        "dimeglio_start": as_counts(np.where(known, dimeglio, 0), known),
        "severity_band": _name_band(pirani, course.protocol),
    }


def _name_band(pirani: Floats, protocol: Protocol) -> pd.Categorical:
    edges = [np.isnan(pirani), pirani >= protocol.severe_from, pirani >= protocol.moderate_from]
    names = [SEVERITY_BANDS.index(name) for name in ("unknown", "severe", "moderate")]
    place = np.select(edges, names, SEVERITY_BANDS.index("mild"))
    return from_codes(place, SEVERITY_BANDS)
