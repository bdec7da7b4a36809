"""Gaps between visits: dropping out and coming back, reviews on time, time under follow-up."""

from __future__ import annotations

from typing import Any

import numpy as np

from analytics.courses.course import Course
from analytics.courses.follow_up import BRACING, CASTING, Ends, find_limits
from analytics.courses.segments import (
    NEVER,
    Ints,
    Segments,
    as_counts,
    as_dates,
    first_index,
    n_true,
    take,
)

NOT_BEGUN = -1


def derive_lapses(course: Course, ends: Ends, *, finished: Ints) -> dict[str, Any]:
    """Return the columns ``definitions.foot_facts.LAPSES``, one entry per foot.

    Parameters
    ----------
    course
        Course of the feet.
    ends
        Stated ends of follow-up.
    finished
        Day on which bracing ends by age, ``NEVER`` when not known.
    """
    closed = np.minimum.reduce([np.full(course.n_feet, course.cut_off), ends.on, finished])
    last_seen = course.days.day[course.last_at]
    followed = np.where(ends.on <= closed, closed, np.minimum(last_seen, closed))
    return {
        **_find_loss(course, ends, finished=finished),
        **_count_reviews(course, closed),
        "followed_until_on": as_dates(followed),
        "due_until_on": as_dates(closed),
    }


def find_phases(course: Course, at: Ints) -> Ints:
    """Return the phase of care in which some days left the foot, ``NOT_BEGUN`` before the start."""
    days, milestones = course.days, course.milestones
    foot, day = days.foot[at], days.day[at]
    in_cast = course.is_cast_day[at] & ~days.is_brace_fitting[at]
    settled = course.first(days.is_brace_fitting | days.is_open_correction)
    corrected = course.since_correction[at] >= 0
    past = corrected | (day >= settled[foot])
    healing = ~corrected & (day >= milestones.tenotomy[foot])
    in_casting = in_cast | ~past
    begun = day >= milestones.started[foot]
    return np.select(
        [~begun, healing & in_casting, in_casting], [NOT_BEGUN, CASTING + 1, CASTING], BRACING
    )


def _find_loss(course: Course, ends: Ends, *, finished: Ints) -> dict[str, Any]:
    """Return the first day on which the limit of a phase passed, and the first visit after it."""
    days, limits = course.days, find_limits(course.protocol)
    at = np.flatnonzero(course.next_day - days.day > limits.min())
    foot, following = days.foot[at], course.next_day[at]
    phase = find_phases(course, at)
    limit = days.day[at] + limits[np.maximum(phase, 0)]
    # As at the cut-off: the limit has passed when a day after it has come without a visit.
    known_until = np.minimum(ends.on, course.cut_off)[foot]
    is_lapse = (limit < np.minimum(following, known_until)) & (phase != NOT_BEGUN)
    # The end of bracing by age is no loss.
    is_lapse &= ~((phase == BRACING) & (finished[foot] <= limit))
    first = first_index(is_lapse, Segments(foot, course.n_feet))
    return {
        "first_lost_on": as_dates(take(limit, first, NEVER)),
        "returned_on": as_dates(take(following, first, NEVER)),
    }


def _count_reviews(course: Course, closed: Ints) -> dict[str, Any]:
    """Return how many reviews in the brace fell due, and how many were held in time.

    Each visit in the brace makes the next one due after the protocol's interval; an earlier visit
    is an extra one. Nothing falls due after relapse, an end of care or the end of bracing.
    """
    days, protocol = course.days, course.protocol
    shortest, longest = (
        (1 + sign * protocol.review_tolerance) * protocol.review_every_days for sign in (-1, 1)
    )
    relapsed = course.first((days.is_relapse_noted | course.is_cast_day | days.is_operation)
                            & (course.since_correction > 0))  # fmt: skip
    gap = course.next_day - days.day
    at = np.flatnonzero((course.since_brace >= 0) & (gap >= shortest))
    at = at[days.day[at] < relapsed[days.foot[at]]]
    foot, gap = days.foot[at], gap[at]
    held = gap <= longest
    missed = ~held & (closed[foot] - days.day[at] > longest)
    braced = course.milestones.brace < NEVER
    by_foot = Segments(foot, course.n_feet)
    return {
        "n_reviews_due": as_counts(n_true(held | missed, by_foot), braced),
        "n_reviews_on_time": as_counts(n_true(held, by_foot), braced),
    }
