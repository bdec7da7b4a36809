"""Relapse after correction: its sources, the interval in which it began, and operations."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd

from analytics.courses.course import Course
from analytics.courses.milestones import is_late_tenotomy
from analytics.courses.segments import (
    NEVER,
    Flags,
    Floats,
    Ints,
    as_dates,
    last_index,
    segment_of,
)
from analytics.definitions.milestones import RELAPSE


def derive_relapse(course: Course) -> dict[str, Any]:
    """Return the columns of relapse and of operations, one entry per foot."""
    days, milestones = course.days, course.milestones
    later = course.since(milestones.corrected) > 0
    tenotomy = is_late_tenotomy(days, milestones, protocol=course.protocol)
    found = {
        "noted": course.first(days.is_relapse_noted & later),
        "recast": course.first(course.is_cast_day & later),
        "procedure": course.first((days.is_relapse_procedure & later) | tenotomy),
    }
    relapse = np.minimum.reduce([found[code] for code in RELAPSE.codes])
    operation = np.minimum(course.first(days.is_operation | tenotomy), milestones.retenotomy)
    return {
        "relapse_on": as_dates(relapse),
        "relapse_free_on": as_dates(_last_free(course, relapse)),
        "relapse_rule": _name_rule(found, relapse),
        "relapse_noted_on": as_dates(found["noted"]),
        "relapse_treated_on": as_dates(np.minimum(found["recast"], found["procedure"])),
        "recast_on": as_dates(found["recast"]),
        "score_rise_on": as_dates(course.first(later & _is_risen(course))),
        "transfer_on": as_dates(course.first(days.is_transfer)),
        "release_on": as_dates(course.first(days.is_release)),
        "operation_on": as_dates(operation),
    }


def _last_free(course: Course, relapse: Ints) -> Ints:
    """Return the last day on which a corrected foot was seen without relapse.

    The day of correction is such a day, so the interval of a relapse never reaches before it.
    """
    corrected = course.milestones.is_corrected[course.days.foot]
    return course.last(corrected & (course.since(relapse) < 0))


def _name_rule(found: dict[str, Ints], relapse: Ints) -> pd.api.extensions.ExtensionArray:
    """Return the first rule, in the order of preference, that found the day of relapse."""
    table = np.stack([found[code] == relapse for code in RELAPSE.codes])
    place = np.where(relapse < NEVER, np.argmax(table, axis=0), len(RELAPSE.codes))
    return pd.array([*RELAPSE.codes, pd.NA], dtype="string").take(place)


def _is_risen(course: Course) -> Flags:
    """Return days on which either score lies the protocol's rise above its lowest since casting.

    The last score at or before correction begins the comparison.
    """
    days, protocol = course.days, course.protocol
    pirani = days.pirani - _lowest_since_correction(course, days.pirani)
    dimeglio = days.dimeglio - _lowest_since_correction(course, days.dimeglio)
    # A day without a score compares as not risen.
    return (pirani >= protocol.relapse_pirani_rise) | (dimeglio >= protocol.relapse_dimeglio_rise)


def _lowest_since_correction(course: Course, score: Floats) -> Floats:
    """Return the lowest score up to each day, from the last one at or before correction on."""
    starts, n_days = course.days.starts, len(score)
    known = ~np.isnan(score)
    before = known & (course.since(course.milestones.corrected) <= 0)
    since = last_index(before, starts)[segment_of(starts, n_days)]
    counts = known & (np.arange(n_days) >= since)
    lowest = pd.Series(np.where(counts, score, np.nan)).groupby(course.days.foot).cummin()
    return lowest.to_numpy()
