"""How a foot was at the end of bracing."""

from __future__ import annotations

import numpy as np
import pandas as pd

from analytics.courses.course import Course
from analytics.courses.follow_up import Ends
from analytics.courses.segments import Ints, as_flags, first_index, is_any, take

#: What each answer has to be.
GOOD = {"plantigrade": True, "ordinary_shoe": True, "pain": False, "caregiver_satisfied": True}


def derive_good_result(course: Course, ends: Ends, *, finished: Ints) -> pd.arrays.BooleanArray:
    """Return whether a foot was good in all four respects at the end of bracing.

    Read from the first visit that records any of them, once bracing ended by age; where care was
    completed earlier, from the last visit. One bad answer decides; a missing one leaves it open.

    Parameters
    ----------
    course
        Course of the feet.
    ends
        Stated ends of follow-up.
    finished
        Day on which bracing ends by age, ``NEVER`` when not known.
    """
    timeline = course.timeline
    good, bad = [], []
    for name, wanted in GOOD.items():
        good.append(is_any(timeline.says(name, wanted), timeline.by_day))
        bad.append(is_any(timeline.says(name, not wanted), timeline.by_day))
    any_bad, all_good = np.logical_or.reduce(bad), np.logical_and.reduce(good)
    answered = any_bad | np.logical_or.reduce(good)
    completed = ends.is_one("completed") & course.milestones.is_corrected
    last_seen = course.days.day[course.last_at]
    due = np.where(completed, np.minimum(finished, last_seen), finished)
    at = first_index(answered & (course.since(due) >= 0), course.by_foot)
    is_bad = take(any_bad, at, False)
    is_good = take(all_good, at, False) & ~is_bad
    return as_flags(is_good, is_good | is_bad)
