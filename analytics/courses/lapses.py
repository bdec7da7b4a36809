"""Gaps between visits: dropping out and coming back, reviews on time, time under follow-up."""

from __future__ import annotations

from typing import Any

import numpy as np

from analytics.courses.course import Course
from analytics.courses.follow_up import BRACING, CASTING, Ends, find_limits
from analytics.courses.segments import (
    NEVER,
    Flags,
    Ints,
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


def find_phases(course: Course) -> Ints:
    """Return the phase of care in which each day left the foot, ``NOT_BEGUN`` before the start."""
    days, milestones = course.days, course.milestones
    in_cast = course.is_cast_day & ~days.is_brace_fitting
    settled = course.first(days.is_brace_fitting | days.is_open_correction)
    past = (course.since(milestones.corrected) >= 0) | (days.day >= settled[days.foot])
    healing = (course.since(milestones.corrected) < 0) & (course.since(milestones.tenotomy) >= 0)
    in_casting = in_cast | ~past
    begun = course.since(milestones.started) >= 0
    return np.select(
        [~begun, healing & in_casting, in_casting], [NOT_BEGUN, CASTING + 1, CASTING], BRACING
    )


def _find_loss(course: Course, ends: Ends, *, finished: Ints) -> dict[str, Any]:
    """Return the first day on which the limit of a phase passed, and the first visit after it."""
    days, phase = course.days, find_phases(course)
    limit = days.day + find_limits(course.protocol)[np.maximum(phase, 0)]
    # As at the cut-off: the limit has passed when a day after it has come without a visit.
    known_until = np.minimum(ends.on, course.cut_off)[days.foot]
    is_lapse = (limit < np.minimum(_next_day(course), known_until)) & (phase != NOT_BEGUN)
    # The end of bracing by age is no loss.
    is_lapse &= ~((phase == BRACING) & (finished[days.foot] <= limit))
    at = first_index(is_lapse, days.starts)
    return {
        "first_lost_on": as_dates(take(limit, at, NEVER)),
        "returned_on": as_dates(take(_next_day(course), at, NEVER)),
    }


def _count_reviews(course: Course, closed: Ints) -> dict[str, Any]:
    """Return how many reviews in the brace fell due, and how many were held in time.

    Each visit in the brace makes the next one due after the protocol's interval; an earlier visit
    is an extra one. Nothing falls due after relapse, an end of care or the end of bracing.
    """
    days, protocol = course.days, course.protocol
    every, slack = protocol.review_every_days, protocol.review_tolerance
    gap = _next_day(course) - days.day
    open_for = closed[days.foot] - days.day
    relapsed = course.first((days.is_relapse_noted | course.is_cast_day | days.is_operation)
                            & (course.since(course.milestones.corrected) > 0))  # fmt: skip
    in_brace = (course.since(course.milestones.brace) >= 0) & (days.day < relapsed[days.foot])
    held = in_brace & (gap >= (1 - slack) * every) & (gap <= (1 + slack) * every)
    missed = in_brace & (gap > (1 + slack) * every) & (open_for > (1 + slack) * every)
    braced = course.milestones.brace < NEVER
    return {
        "n_reviews_due": as_counts(n_true(held | missed, days.starts), braced),
        "n_reviews_on_time": as_counts(n_true(held, days.starts), braced),
    }


def _next_day(course: Course) -> Ints:
    """Return the next day on which the same foot was seen, ``NEVER`` after the last."""
    following = np.append(course.days.day[1:], NEVER)[: len(course.days.day)]
    is_last: Flags = np.zeros(len(following), dtype=bool)
    is_last[course.last_at] = True
    return np.where(is_last, NEVER, following)
