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
)
from analytics.definitions.milestones import RELAPSE
from analytics.intake.texts import from_codes


def derive_relapse(course: Course) -> dict[str, Any]:
    """Return the columns of relapse and of operations, one entry per foot."""
    days, milestones = course.days, course.milestones
    later = course.since_correction > 0
    tenotomy = is_late_tenotomy(days, milestones, protocol=course.protocol)
    found = {
        "noted": course.first(days.is_relapse_noted & later),
        "recast": course.first(course.is_cast_day & later),
        "procedure": course.first((days.is_relapse_procedure & later) | tenotomy),
    }
    relapse = np.minimum.reduce([found[code] for code in RELAPSE.codes])
    risen = _is_risen(course, days.pirani, by=course.protocol.relapse_pirani_rise)
    risen |= _is_risen(course, days.dimeglio, by=course.protocol.relapse_dimeglio_rise)
    operation = np.minimum(course.first(days.is_operation | tenotomy), milestones.retenotomy)
    return {
        "relapse_on": as_dates(relapse),
        "relapse_free_on": as_dates(_last_free(course, relapse)),
        "relapse_rule": _name_rule(found, relapse),
        "relapse_noted_on": as_dates(found["noted"]),
        "relapse_treated_on": as_dates(np.minimum(found["recast"], found["procedure"])),
        "recast_on": as_dates(found["recast"]),
        "score_rise_on": as_dates(course.first(later & risen)),
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


def _name_rule(found: dict[str, Ints], relapse: Ints) -> pd.Categorical:
    """Return the first rule, in the order of preference, that found the day of relapse."""
    table = np.stack([found[code] == relapse for code in RELAPSE.codes])
    return from_codes(np.where(relapse < NEVER, np.argmax(table, axis=0), -1), RELAPSE.codes)


def _is_risen(course: Course, score: Floats, *, by: float) -> Flags:
    """Return days on which a score lies that much above its lowest since casting.

    The last score at or before correction begins the comparison.
    """
    days = course.days
    before = ~np.isnan(score)
    at = np.flatnonzero(before)
    before[at] = course.since_correction[at] <= 0
    at = at[at >= last_index(before, course.by_foot)[days.foot[at]]]
    # Complex numbers are compared by the first part: the lowest of a foot ends with its days.
    lowest = np.minimum.accumulate(-days.foot[at] + 1j * score[at]).imag
    risen = np.zeros(len(score), dtype=bool)
    risen[at] = score[at] - lowest >= by
    return risen
