"""Last seen, phase of care, and how follow-up stands at the cut-off."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from analytics.courses.course import Course
from analytics.courses.segments import (
    NEVER,
    Flags,
    Ints,
    as_dates,
    as_days,
    is_any,
    take,
)
from analytics.definitions.foot_facts import PHASES, STATUSES
from analytics.definitions.protocol import Protocol
from analytics.intake.texts import coded_column, factorize, from_codes

DAYS_IN_YEAR = 365.25
CASTING, AFTER_TENOTOMY, BRACING, AFTER_BRACING = range(len(PHASES))
IN_CARE, LOST, DEPARTED, COMPLETED = range(len(STATUSES))

#: A move within the network is not an end: the child is linked.
NO_END = "moved_within_network"

#: An end that later visits do not undo.
LASTING_ENDS = ("completed", "died")


@dataclass(frozen=True)
class Ends:
    """Stated end of follow-up of each foot's child; ``NEVER`` and missing where there is none."""

    on: Ints
    why: pd.Categorical

    def is_one(self, *codes: str) -> Flags:
        """Return which ends were for one of some reasons."""
        return np.append(self.why.categories.isin(codes), False)[self.why.codes]


def find_ends(course: Course, departures: pd.DataFrame) -> Ends:
    """Return the stated end of follow-up of the child of each foot seen.

    An end after the cut-off is not known yet. An end after which the child came back was none,
    unless the child had completed care (a later visit is a check) or died (a fault of the record,
    which intake holds back).
    """
    child = course.timeline.child
    place = _place_ends(course, departures)[child]
    on = take(as_days(departures["left_on"]), place, NEVER)
    why = coded_column(departures["why"]).take(place, allow_fill=True)
    last_seen = np.full(len(course.timeline.children), -NEVER, dtype=np.int64)
    np.maximum.at(last_seen, child, course.days.day[course.last_at])
    undone = (last_seen[child] > on) & ~Ends(on, why).is_one(*LASTING_ENDS)
    known = from_codes(np.where(undone, -1, why.codes), why.categories)
    return Ends(np.where(undone, NEVER, on), known)


def _place_ends(course: Course, departures: pd.DataFrame) -> Ints:
    """Return the place of each child's first stated end that is known and is one, -1 for none."""
    left, why = as_days(departures["left_on"]), coded_column(departures["why"])
    child = course.timeline.find_children(departures["child"])
    counts = (left <= course.cut_off) & (child >= 0) & ~Ends(left, why).is_one(NO_END)
    rank = factorize(pd.Series(why), sort=True)[0]
    order = np.lexsort((rank, left, child))
    order = order[counts[order]][::-1]
    place = np.full(len(course.timeline.children), -1, dtype=np.int64)
    place[child[order]] = order
    return place


def derive_follow_up(course: Course, ends: Ends, *, finished: Ints) -> dict[str, Any]:
    """Return first and last visit, stated end, phase and status, one entry per foot.

    Parameters
    ----------
    course
        Course of the feet.
    ends
        Stated ends of follow-up.
    finished
        Day on which bracing ends by age, ``NEVER`` when not known.
    """
    days = course.days
    last_seen = days.day[course.last_at]
    phase = _find_phase(course, finished=finished)
    limit = last_seen + find_limits(course.protocol)[phase]
    of_age = (phase >= BRACING) & (finished <= np.minimum(limit, course.cut_off))
    status = np.select(
        [ends.is_one("completed"), ends.on < NEVER, of_age, course.cut_off > limit],
        [COMPLETED, DEPARTED, COMPLETED, LOST],
        IN_CARE,
    )
    died = ends.is_one("died")
    return {
        "first_seen_on": as_dates(days.day[days.starts]),
        "last_seen_on": as_dates(last_seen),
        "departed_on": as_dates(ends.on),
        "departure": ends.why,
        "died_on": as_dates(np.where(died, ends.on, NEVER)),
        "phase": from_codes(phase, PHASES),
        "status": from_codes(status, STATUSES),
        "lost_on": as_dates(np.where(status == LOST, limit, NEVER)),
    }


def find_end_of_bracing(course: Course, *, birth: Ints) -> Ints:
    """Return the day on which bracing ends by age, ``NEVER`` where birth or brace is not known.

    A foot braced late still needs its full-time phase, however old the child.
    """
    protocol, brace = course.protocol, course.milestones.brace
    by_age = birth + round(protocol.brace_until_years * DAYS_IN_YEAR)
    known = (birth < NEVER) & (brace < NEVER)
    return np.where(known, np.maximum(by_age, brace + protocol.full_time_days), NEVER)


def find_limits(protocol: Protocol) -> Ints:
    """Return the days without a visit after which a foot counts as lost, by phase."""
    bracing = protocol.lost_bracing_days
    return np.array([protocol.lost_casting_days, protocol.lost_tenotomy_days, bracing, bracing])


def _find_phase(course: Course, *, finished: Ints) -> Ints:
    """Return the phase of care in which each foot was last seen.

    A foot that left its last visit in a cast is in casting, also when it had relapsed. One that
    was braced or operated on without a recorded correction is past casting.
    """
    days, milestones, last = course.days, course.milestones, course.last_at
    in_cast = course.is_cast_day[last] & ~days.is_brace_fitting[last]
    past = is_any(days.is_brace_fitting | days.is_open_correction, course.by_foot)
    in_casting = in_cast | ~(milestones.is_corrected | past)
    healing = ~milestones.is_corrected & (milestones.tenotomy < NEVER)
    return np.select(
        [healing & in_casting, in_casting, days.day[last] >= finished],
        [AFTER_TENOTOMY, CASTING, AFTER_BRACING],
        BRACING,
    )
