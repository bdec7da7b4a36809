"""Who the foot belongs to, and how stiff it was when casting began."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd

from analytics.courses.course import Course
from analytics.courses.segments import (
    NEVER,
    Flags,
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
from analytics.definitions.foot_facts import SEVERITY_BANDS
from analytics.definitions.protocol import Protocol
from analytics.intake.frames import stack_frames
from analytics.intake.merge import group_codes
from analytics.intake.records import Records

OPPOSITE = {"left": "right", "right": "left"}
FROM_CHILD = (
    "sex", "birth_on", "diagnosis", "prior_treatment", "family_history", "travel_minutes",
    "enrolled_on",
)  # fmt: skip


def derive_baseline(course: Course, records: Records) -> dict[str, Any]:
    """Return the columns ``definitions.foot_facts.BASELINE`` and ``has_tenotomy`` by foot."""
    keys, milestones = course.timeline.keys, course.milestones
    child = look_up(records.children, keys, on=["child"]).reindex(columns=list(FROM_CHILD))
    clinic = _find_clinic(course)
    countries = records.clinics.set_index("clinic")["country"]
    born = as_days(child["birth_on"])
    started = milestones.started
    quarter = pd.Series(as_dates(started)).dt.to_period("Q").astype("string")
    enrolled = np.where(child["enrolled_on"].notna(), as_days(child["enrolled_on"]), NEVER)
    enrolled = np.where(enrolled < NEVER, enrolled, _first_of_child(course))
    before = child["prior_treatment"].isin(["tenotomy"]).to_numpy(dtype=bool)
    return {
        "child": keys["child"].array,
        "side": keys["side"].array,
        "clinic": clinic.array,
        "country": countries.reindex(clinic).array,
        **{name: child[name].array for name in FROM_CHILD},
        "atypical": look_up(records.feet, keys, on=["child", "side"])["atypical"].array,
        "bilateral": _find_bilateral(course, records.feet),
        "enrolled_on": as_dates(enrolled),
        "started_on": as_dates(started),
        "quarter": quarter.mask(~milestones.is_started).array,
        "age_start_days": days_between(born, started),
        "has_tenotomy": as_flags(milestones.tenotomy < NEVER, ~before),
        **_derive_severity(course),
    }


def look_up(table: pd.DataFrame, keys: pd.DataFrame, *, on: list[str]) -> pd.DataFrame:
    """Return the row of a table for each foot, all missing where the table has none."""
    code = group_codes(stack_frames([table[on], keys[on]]), tuple(on))
    of_table, of_keys = np.split(code, [len(table)])
    if len(np.unique(of_table)) < len(table):
        raise ValueError(f"a table has one key twice: {', '.join(on)}")
    place = np.full(int(code.max(initial=-1)) + 1, -1)
    place[of_table] = np.arange(len(table))
    taken = {name: table[name].array.take(place[of_keys], allow_fill=True) for name in table}
    return pd.DataFrame(taken | {name: keys[name].array for name in on}, copy=False)


def find_affected(course: Course, feet: pd.DataFrame) -> Flags:
    """Return which feet seen have clubfoot: said so, or in a cast."""
    said = look_up(feet, course.timeline.keys, on=["child", "side"])["affected"]
    return said.to_numpy(dtype=bool, na_value=False) | course.milestones.is_started


def _find_clinic(course: Course) -> pd.Series:
    """Return the clinic of the first cast, else of the first visit."""
    clinic, casts = course.timeline.visits["clinic"], course.casts
    row = course.timeline.row_starts[course.days.starts]
    first = (casts.series == 1) & (casts.order == 1)
    row = row.copy()
    row[casts.foot[first]] = casts.row[first]
    return clinic.iloc[row].reset_index(drop=True)


def _first_of_child(course: Course) -> Ints:
    first = pd.Series(course.days.day[course.days.starts])
    child = course.timeline.keys["child"].to_numpy()
    return first.groupby(child).transform("min").to_numpy(dtype=np.int64)


def _find_bilateral(course: Course, feet: pd.DataFrame) -> pd.arrays.BooleanArray:
    """Return whether the other foot is affected too.

    No when nothing at all was written about the other foot; missing when it was written about but
    never said to be affected or not.
    """
    keys = course.timeline.keys
    seen = keys.assign(state=np.where(course.milestones.is_started, 1.0, np.nan))
    said = feet["affected"].astype("Float64").to_numpy(dtype=float, na_value=np.nan)
    both = pd.concat([seen, feet[["child", "side"]].assign(state=said)], ignore_index=True)
    state = both.groupby(["child", "side"])["state"].max()
    other = pd.MultiIndex.from_arrays([keys["child"], keys["side"].map(OPPOSITE)])
    found = take(state.to_numpy(dtype=float), state.index.get_indexer(other), 0.0)
    return as_flags(found == 1.0, ~np.isnan(found))


def _derive_severity(course: Course) -> dict[str, Any]:
    """Return the last scores at or before the first cast; parts from the day of the total."""
    days = course.days
    baseline = course.since(course.milestones.started) <= 0
    at = last_index(baseline & ~np.isnan(days.pirani), days.starts)
    pirani = take(days.pirani, at, np.nan)
    dimeglio = take(
        days.dimeglio, last_index(baseline & ~np.isnan(days.dimeglio), days.starts), np.nan
    )
    known = ~np.isnan(dimeglio)
    return {
        "pirani_start": as_numbers(pirani),
        "midfoot_start": as_numbers(take(days.midfoot, at, np.nan)),
        "hindfoot_start": as_numbers(take(days.hindfoot, at, np.nan)),
        "dimeglio_start": as_counts(np.where(known, dimeglio, 0), known),
        "severity_band": _name_band(pirani, course.protocol),
    }


def _name_band(pirani: Floats, protocol: Protocol) -> pd.api.extensions.ExtensionArray:
    edges = [np.isnan(pirani), pirani >= protocol.severe_from, pirani >= protocol.moderate_from]
    names = [SEVERITY_BANDS.index(name) for name in ("unknown", "severe", "moderate")]
    place = np.select(edges, names, SEVERITY_BANDS.index("mild"))
    return pd.array(SEVERITY_BANDS, dtype="string").take(place)
