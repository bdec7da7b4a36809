"""Facts of the first cast series of each foot."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd

from analytics.courses.course import Course
from analytics.courses.milestones import is_after_tenotomy
from analytics.courses.segments import (
    NEVER,
    Flags,
    Ints,
    Segments,
    as_counts,
    as_dates,
    as_flags,
    days_between,
    is_any,
    last_index,
    n_true,
    take,
)
from analytics.definitions.codes import TENOTOMY_COMPLICATIONS
from analytics.definitions.foot_facts import SERIES_ENDS
from analytics.definitions.milestones import CORRECTION
from analytics.intake.runs import changes
from analytics.intake.texts import from_codes


def derive_casting(course: Course) -> dict[str, Any]:
    """Return the columns ``definitions.foot_facts.CASTING``, one entry per foot."""
    milestones = course.milestones
    known, first = milestones.is_started, milestones.is_corrected_first
    after = is_after_tenotomy(course.casts, milestones)
    return (
        _count_casts(course, after)
        | _date_casts(course, after)
        | {
            "n_casting_complications": as_counts(_n_complications(course), known),
            "series_end": from_codes(np.where(first, 0, np.where(known, 1, -1)), SERIES_ENDS),
            "tenotomy_on": as_dates(milestones.tenotomy),
            "tenotomy_complication": _tenotomy_complication(course),
            "retenotomy_on": as_dates(milestones.retenotomy),
            "corrected_on": as_dates(milestones.corrected),
            "correction_rule": from_codes(milestones.rule, CORRECTION.codes),
            "is_corrected": as_flags(first, known),
            "days_to_correction": days_between(milestones.started, milestones.corrected),
        }
    )


def _count_casts(course: Course, after: Flags) -> dict[str, Any]:
    casts, days, protocol = course.casts, course.days, course.protocol
    first = casts.series == 1
    before = first & ~after
    replaced = _is_replaced(course)
    # An interval belongs to the cast that began it; the one after tenotomy stays on by design.
    closed = first & (casts.order > 1) & ~_previous(after)
    on_time = (casts.gap >= protocol.cast_interval_on_time_from) & (
        casts.gap <= protocol.cast_interval_on_time_to
    )
    scored = ~np.isnan(days.pirani[casts.at]) | ~np.isnan(days.dimeglio[casts.at])
    counted = {
        "n_casts": before,
        "n_casts_all": first,
        "n_casts_replaced": before & replaced,
        "n_casts_misnumbered": first & _is_misnumbered(course, replaced),
        "n_interruptions": closed & (casts.gap > protocol.interruption_days),
        "n_intervals": closed,
        "n_intervals_on_time": closed & on_time,
        "n_cast_visits": first,
        "n_cast_visits_scored": first & scored,
    }
    known = course.milestones.is_started
    table = {name: as_counts(_n_by_foot(course, which), known) for name, which in counted.items()}
    n_series = _n_by_foot(course, casts.order == 1)
    return table | {"n_series": as_counts(n_series, np.ones(course.n_feet, dtype=bool))}


def _n_by_foot(course: Course, which: Flags) -> Ints:
    return n_true(which, Segments(course.casts.foot, course.n_feet))


def _previous(flags: Flags) -> Flags:
    return np.append(False, flags[:-1])[: len(flags)]


def _is_replaced(course: Course) -> Flags:
    replaced = course.timeline.pick("cast_replaced", course.casts.row)
    return replaced.to_numpy(dtype=bool, na_value=False)


def _is_misnumbered(course: Course, replaced: Flags) -> Flags:
    """Return casts whose recorded number does not follow from the one before by the dates.

    Counting may begin anywhere, since casts put on elsewhere are often counted along; a cast that
    replaces a broken one may keep its number.
    """
    recorded = course.timeline.pick("cast_number", course.casts.row)
    step = np.diff(recorded.to_numpy(dtype=float, na_value=np.nan), prepend=np.nan)
    wrong = ~np.isnan(step) & (step != 1) & ~(replaced & (step == 0))
    return wrong & (course.casts.order > 1)


def _date_casts(course: Course, after: Flags) -> dict[str, Any]:
    casts, milestones = course.casts, course.milestones
    tenotomy = milestones.tenotomy
    last = _place(course, (casts.series == 1) & casts.is_last)
    before = _place(course, casts.day < tenotomy[casts.foot])
    last_before = np.where(tenotomy < NEVER, before, NEVER)
    closing = after & ~(_previous(after) & ~changes(casts.foot))
    closed = _place(course, closing)
    return {
        "last_cast_on": as_dates(last),
        "days_cast_to_tenotomy": days_between(last_before, tenotomy),
        "final_cast_days": days_between(closed, milestones.off),
    }


def _place(course: Course, which: Flags) -> Ints:
    """Return the day of the last marked cast of each foot, ``NEVER`` without one."""
    by_foot = Segments(course.casts.foot, course.n_feet)
    return take(course.casts.day, last_index(which, by_foot), NEVER)


def _n_complications(course: Course) -> Ints:
    """Return how many different complications were noted on each cast day, added up by foot."""
    timeline, casts = course.timeline, course.casts
    noted = timeline.column("complication")
    is_real = np.append(noted.categories != "none", False)
    in_series = np.zeros(len(timeline.day), dtype=bool)
    in_series[casts.at] = casts.series == 1
    at = np.flatnonzero(is_real[noted.codes])
    at = at[in_series[timeline.day_of_row[at]]]
    # The same complication on two lines of one day is one complication.
    n_names = len(is_real)
    pairs = np.unique(timeline.day_of_row[at] * n_names + noted.codes[at])
    return np.bincount(timeline.foot[pairs // n_names], minlength=course.n_feet)


def _tenotomy_complication(course: Course) -> pd.arrays.BooleanArray:
    """Return whether bleeding or an injury was noted from tenotomy on, within the protocol's days.

    Missing when nothing, not even "none", was noted about complications in that time.
    """
    timeline = course.timeline
    since = course.since(course.milestones.tenotomy)
    near = (since >= 0) & (since <= course.protocol.tenotomy_complication_days)
    harmed = is_any(timeline.is_one("complication", *TENOTOMY_COMPLICATIONS), timeline.by_day)
    said = is_any(~timeline.column("complication").isna(), timeline.by_day)
    return as_flags(is_any(near & harmed, course.by_foot), is_any(near & said, course.by_foot))
