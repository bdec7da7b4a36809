"""Brace phases and the use of the brace as told by caregivers."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd

from analytics.courses.course import Course
from analytics.courses.segments import (
    NEVER,
    Ints,
    as_counts,
    as_dates,
    as_flags,
    days_between,
    is_any,
    last_index,
    n_true,
    take,
)
from analytics.definitions.codes import BRACE_USES
from analytics.definitions.foot_facts import ADHERENCES
from analytics.intake.texts import from_codes

AS_ADVISED, PARTLY, NOT = (BRACE_USES.index(use) for use in ("as_advised", "partly", "not"))


def derive_use(course: Course) -> Ints:
    """Return the use of the brace told on each day, as a place in ``BRACE_USES``, -1 for none.

    Hours speak where no use was recorded: at least the protocol's hours of the phase are use as
    advised, none at all is no use, anything between is partly.
    """
    days, protocol = course.days, course.protocol
    at = np.flatnonzero((days.used < 0) & ~np.isnan(days.hours))
    hours, is_full_time = days.hours[at], course.since_brace[at] <= protocol.full_time_days
    wanted = np.where(is_full_time, protocol.full_time_hours, protocol.night_hours_least)
    use = days.used.copy()
    use[at] = np.where(hours >= wanted, AS_ADVISED, np.where(hours <= 0, NOT, PARTLY))
    return use


def derive_bracing(course: Course, use: Ints, *, departed: Ints) -> dict[str, Any]:
    """Return the columns ``definitions.foot_facts.BRACING``, one entry per foot.

    Parameters
    ----------
    course
        Course of the feet.
    use
        Use of the brace told on each day (``derive_use``).
    departed
        Day on which each foot's follow-up ended for a stated reason, ``NEVER`` for none.
    """
    milestones, by_foot = course.milestones, course.by_foot
    braced = milestones.brace < NEVER
    told = (use >= 0) & (course.since_brace > 0)
    advised = told & (use == AS_ADVISED)
    return {
        "brace_on": as_dates(milestones.brace),
        "days_to_brace": days_between(milestones.off, milestones.brace),
        "n_brace_reviews": as_counts(n_true(told, by_foot), braced),
        "n_brace_reviews_as_advised": as_counts(n_true(advised, by_foot), braced),
        "adherence_early": _adherence_early(course, use),
        "full_time_completed": _full_time_completed(course, use, departed=departed),
    }


def _adherence_early(course: Course, use: Ints) -> pd.Categorical:
    """Return the use told from correction to the landmark, in one word; missing if uncorrected."""
    protocol, by_foot = course.protocol, course.by_foot
    since = course.since_correction
    told = (use >= 0) & (since > 0) & (since <= protocol.landmark_days)
    n = n_true(told, by_foot)
    advised = n_true(told & (use == AS_ADVISED), by_foot)
    never = n_true(told & (use == NOT), by_foot)
    level = np.select(
        [n == 0, advised >= protocol.as_advised_share * n, 2 * never > n],
        [ADHERENCES.index("unrecorded"), AS_ADVISED, NOT],
        PARTLY,
    )
    level = np.where(course.milestones.is_corrected, level, -1)
    return from_codes(level, ADHERENCES)


def _full_time_completed(course: Course, use: Ints, *, departed: Ints) -> pd.arrays.BooleanArray:
    """Return whether a foot was seen in the window after fitting and still braced.

    Missing until the window has passed, when the child left before that, and when it was seen in
    the window and nobody wrote whether the brace was used. Not seen at all is no: it is known.
    """
    protocol, by_foot = course.protocol, course.by_foot
    since = course.since_brace
    seen = (since >= protocol.full_time_shortest) & (since <= protocol.full_time_longest)
    # A brace fitted anew is a brace in use.
    told = np.where((use < 0) & course.days.is_brace_fitting, PARTLY, use)
    last_use = take(told, last_index(seen & (told >= 0), by_foot), -1)
    is_seen = is_any(seen, by_foot)
    horizon = np.minimum(departed, course.cut_off)
    ripe = horizon >= course.milestones.brace + protocol.full_time_longest
    known = ripe & ((last_use >= 0) | ~is_seen)
    return as_flags(known & is_seen & (last_use != NOT), known)
