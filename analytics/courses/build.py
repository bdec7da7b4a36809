"""From records to a cohort: one row per foot."""

from __future__ import annotations

from datetime import date

import pandas as pd

from analytics.courses.baseline import derive_baseline, find_affected, look_up
from analytics.courses.bracing import derive_bracing, derive_use
from analytics.courses.casting import derive_casting
from analytics.courses.cohort import Cohort
from analytics.courses.course import Course, find_course
from analytics.courses.follow_up import derive_follow_up, find_end_of_bracing, find_ends
from analytics.courses.lapses import derive_lapses
from analytics.courses.milestones import is_after_tenotomy
from analytics.courses.outcome import derive_good_result
from analytics.courses.relapse import derive_relapse
from analytics.courses.segments import as_days, segment_of
from analytics.courses.series import derive_series
from analytics.definitions.codes import BRACE_USES
from analytics.definitions.columns import EXTRA_PREFIX
from analytics.definitions.foot_facts import FOOT
from analytics.definitions.protocol import Protocol
from analytics.intake.records import Records


def build_cohort(records: Records, cut_off: date, protocol: Protocol) -> Cohort:
    """Return the feet as they stood at the cut-off.

    Parameters
    ----------
    records
        Canonical tables with their ledger.
    cut_off
        Day on which the exports were frozen; what came later is left out.
    protocol
        Windows in force.

    Returns
    -------
    Cohort
        ``feet`` has the columns of ``definitions.foot_facts``, then the ``extra_`` ones of the
        child, sorted by child and side; ``visits`` has those of all feet seen.
    """
    course = find_course(records.visits, cut_off, protocol)
    return Cohort(
        feet=_derive_feet(course, records),
        visits=_derive_visits(course),
        children=records.children,
        clinics=records.clinics,
        departures=records.departures,
        cut_off=cut_off,
        protocol=protocol,
        ledger=records.ledger,
    )


def _derive_visits(course: Course) -> pd.DataFrame:
    is_after = is_after_tenotomy(course.casts, course.milestones)
    visits = derive_series(course.timeline, course.casts, is_after)
    day_of_row = segment_of(course.timeline.row_starts, len(visits))
    words = pd.array([*BRACE_USES, pd.NA], dtype="string")
    # -1, not told, takes the last word: missing.
    return visits.assign(use_told=words.take(derive_use(course)[day_of_row]))


def _derive_feet(course: Course, records: Records) -> pd.DataFrame:
    baseline = derive_baseline(course, records)
    ends = find_ends(course, records.departures)
    finished = find_end_of_bracing(course, birth=as_days(pd.Series(baseline["birth_on"])))
    facts = (
        baseline
        | derive_casting(course)
        | derive_bracing(course, departed=ends.on)
        | derive_relapse(course)
        | derive_follow_up(course, ends, finished=finished)
        | derive_lapses(course, ends, finished=finished)
        | {"good_result": derive_good_result(course, ends, finished=finished)}
    )
    feet = pd.DataFrame({column.name: facts[column.name] for column in FOOT})
    feet = feet.astype({column.name: column.dtype for column in FOOT})
    carried = [name for name in records.children.columns if name.startswith(EXTRA_PREFIX)]
    extra = look_up(records.children[["child", *carried]], feet, on=["child"])[carried]
    affected = find_affected(course, records.feet)
    return pd.concat([feet, extra], axis=1).loc[affected].reset_index(drop=True)
