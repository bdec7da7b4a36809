"""Last seen, phase of care, and how follow-up stands at the cut-off."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from analytics.courses.course import Course
from analytics.courses.segments import (
    NEVER,
    Ints,
    as_dates,
    as_days,
    is_any,
    take,
)
from analytics.definitions.foot_facts import PHASES, STATUSES
from analytics.definitions.protocol import Protocol

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
    why: pd.Series


def find_ends(course: Course, departures: pd.DataFrame) -> Ends:
    """Return the stated end of follow-up of the child of each foot seen.

    An end after the cut-off is not known yet. An end after which the child came back was none,
    unless the child had completed care (a later visit is a check) or died (a fault of the record,
    which intake holds back).
    """
    left = as_days(departures["left_on"])
    counts = (left <= course.cut_off) & ~departures["why"].isin([NO_END]).to_numpy(dtype=bool)
    stated = departures.loc[counts, ["child", "why"]].assign(left=left[counts])
    stated = stated.sort_values(["child", "left", "why"]).drop_duplicates("child")
    child = course.timeline.keys["child"]
    place = pd.Index(stated["child"]).get_indexer(pd.Index(child))
    on = take(stated["left"].to_numpy(np.int64), place, NEVER)
    why = pd.Series(pd.array(stated["why"], dtype="string").take(place, allow_fill=True))
    last_seen = pd.Series(course.days.day[course.last_at])
    child_last = last_seen.groupby(child.to_numpy()).transform("max").to_numpy(np.int64)
    undone = (child_last > on) & ~why.isin(LASTING_ENDS).to_numpy(dtype=bool)
    return Ends(np.where(undone, NEVER, on), why.mask(undone))


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
    completed = ends.why.isin(["completed"]).to_numpy(dtype=bool)
    of_age = (phase >= BRACING) & (finished <= np.minimum(limit, course.cut_off))
    status = np.select(
        [completed, ends.on < NEVER, of_age, course.cut_off > limit],
        [COMPLETED, DEPARTED, COMPLETED, LOST],
        IN_CARE,
    )
    died = ends.why.isin(["died"]).to_numpy(dtype=bool)
    return {
        "first_seen_on": as_dates(days.day[days.starts]),
        "last_seen_on": as_dates(last_seen),
        "departed_on": as_dates(ends.on),
        "departure": ends.why.array,
        "died_on": as_dates(np.where(died, ends.on, NEVER)),
        "phase": pd.array(PHASES, dtype="string").take(phase),
        "status": pd.array(STATUSES, dtype="string").take(status),
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
    past = is_any(days.is_brace_fitting | days.is_open_correction, days.starts)
    in_casting = in_cast | ~(milestones.is_corrected | past)
    healing = ~milestones.is_corrected & (milestones.tenotomy < NEVER)
    return np.select(
        [healing & in_casting, in_casting, days.day[last] >= finished],
        [AFTER_TENOTOMY, CASTING, AFTER_BRACING],
        BRACING,
    )
