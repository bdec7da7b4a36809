"""From records to a cohort: one row per foot."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date

import pandas as pd

from analytics.courses.baseline import derive_baseline, find_affected, look_up
from analytics.courses.bracing import derive_bracing, derive_use
from analytics.courses.casting import derive_casting
from analytics.courses.cohort import USES, Cohort, shrink_uses
from analytics.courses.course import Course, find_course
from analytics.courses.follow_up import derive_follow_up, find_end_of_bracing, find_ends
from analytics.courses.lapses import derive_lapses
from analytics.courses.milestones import is_after_tenotomy
from analytics.courses.outcome import derive_good_result
from analytics.courses.relapse import derive_relapse
from analytics.courses.segments import Ints, as_days, segment_of
from analytics.courses.series import derive_series
from analytics.definitions.codes import BRACE_USES
from analytics.definitions.columns import EXTRA_PREFIX
from analytics.definitions.foot_facts import FOOT
from analytics.definitions.protocol import Protocol
from analytics.intake.close import total_records
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
        child, sorted by child and side.
    """
    followed = follow_feet(records, cut_off, protocol)
    return Cohort(
        feet=followed.feet,
        uses=shrink_uses(followed.uses),
        clinics=records.clinics,
        cut_off=cut_off,
        protocol=protocol,
        totals=total_records(records),
    )


@dataclass(frozen=True)
class Followed:
    """What was found of feet: a row for each, and ``cohort.USES`` as texts."""

    feet: pd.DataFrame
    uses: pd.DataFrame


def follow_feet(records: Records, cut_off: date, protocol: Protocol) -> Followed:
    """Return what was found of the feet of whole children; parameters as ``build_cohort``."""
    course = find_course(records.visits, cut_off, protocol)
    return Followed(_derive_feet(course, records), _derive_uses(course))


def build_visits(records: Records, cut_off: date, protocol: Protocol) -> pd.DataFrame:
    """Return the visits at or before the cut-off with their place in the course of the foot.

    Parameters
    ----------
    records, cut_off, protocol
        As of ``build_cohort``.

    Returns
    -------
    DataFrame
        The canonical visits sorted by child, side and day, with ``series`` (1, 2, ... for casts,
        missing for others), ``cast_order`` (place in the series by the dates),
        ``is_after_tenotomy`` (missing for others) and ``use_told`` (use of the brace told on that
        day, read from the hours where no use was recorded).
    """
    course = find_course(records.visits, cut_off, protocol)
    is_after = is_after_tenotomy(course.casts, course.milestones)
    visits = derive_series(course.timeline, course.casts, is_after)
    day_of_row = segment_of(course.timeline.row_starts, len(visits))
    return visits.assign(use_told=_say_uses(derive_use(course)[day_of_row]))


def _derive_uses(course: Course) -> pd.DataFrame:
    timeline, use = course.timeline, derive_use(course)
    told = use >= 0
    uses = timeline.visits[["child", "side", "visited_on"]].iloc[timeline.row_starts[told]]
    return uses.reset_index(drop=True).assign(use_told=_say_uses(use[told]))[list(USES)]


def _say_uses(use: Ints) -> pd.api.extensions.ExtensionArray:
    # -1, not told, takes the last word: missing.
    return pd.array([*BRACE_USES, pd.NA], dtype="string").take(use)


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
