"""From records to a cohort: one row per foot."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from typing import Any

import numpy as np
import pandas as pd

from analytics.courses.baseline import derive_baseline
from analytics.courses.bracing import derive_bracing, derive_use
from analytics.courses.casting import derive_casting
from analytics.courses.cohort import USES, Cohort, shrink_uses
from analytics.courses.course import Course, find_course
from analytics.courses.follow_up import derive_follow_up, find_end_of_bracing, find_ends
from analytics.courses.lapses import derive_lapses
from analytics.courses.milestones import is_after_tenotomy
from analytics.courses.outcome import derive_good_result
from analytics.courses.relapse import derive_relapse
from analytics.courses.segments import Ints, as_dates, as_days
from analytics.courses.series import derive_series
from analytics.courses.timeline import Timeline
from analytics.definitions.codes import BRACE_USES, SIDES
from analytics.definitions.columns import EXTRA_PREFIX, Column
from analytics.definitions.foot_facts import FOOT
from analytics.definitions.protocol import Protocol
from analytics.intake.close import total_records
from analytics.intake.records import Records
from analytics.intake.texts import from_codes, plain_frame, plain_texts


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
        feet=plain_frame(followed.feet),
        uses=shrink_uses(followed.uses),
        clinics=records.clinics,
        cut_off=cut_off,
        protocol=protocol,
        totals=total_records(records),
    )


@dataclass(frozen=True)
class Followed:
    """What was found of feet: a row for each, and ``cohort.USES``; texts are coded."""

    feet: pd.DataFrame
    uses: pd.DataFrame


def follow_feet(records: Records, cut_off: date, protocol: Protocol) -> Followed:
    """Return what was found of the feet of whole children; parameters as ``build_cohort``."""
    course = find_course(records.visits, cut_off, protocol)
    use = derive_use(course)
    return Followed(_derive_feet(course, records, use), _derive_uses(course.timeline, use))


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
    told = from_codes(derive_use(course)[course.timeline.day_of_row], BRACE_USES)
    return visits.assign(use_told=plain_texts(told))


def _derive_uses(timeline: Timeline, use: Ints) -> pd.DataFrame:
    told = np.flatnonzero(use >= 0)
    foot = timeline.foot[told]
    columns = {
        "child": timeline.children.take(timeline.child[foot]),
        "side": from_codes(timeline.side[foot], SIDES),
        "visited_on": as_dates(timeline.day[told]),
        "use_told": from_codes(use[told], BRACE_USES),
    }
    return pd.DataFrame({name: columns[name] for name in USES}, copy=False)


def _derive_feet(course: Course, records: Records, use: Ints) -> pd.DataFrame:
    baseline = derive_baseline(course, records)
    ends = find_ends(course, records.departures)
    finished = find_end_of_bracing(course, birth=as_days(pd.Series(baseline["birth_on"])))
    facts = (
        baseline
        | derive_casting(course)
        | derive_bracing(course, use, departed=ends.on)
        | derive_relapse(course)
        | derive_follow_up(course, ends, finished=finished)
        | derive_lapses(course, ends, finished=finished)
        | {"good_result": derive_good_result(course, ends, finished=finished)}
    )
    declared = {column.name: _of_kind(facts[column.name], column) for column in FOOT}
    extra = {name: held for name, held in baseline.items() if name.startswith(EXTRA_PREFIX)}
    feet = pd.DataFrame(declared | extra, copy=False)
    affected = baseline["is_affected"]
    return feet if affected.all() else feet.loc[affected].reset_index(drop=True)


def _of_kind(held: Any, column: Column) -> Any:
    fits = isinstance(held, pd.Categorical) or held.dtype == column.dtype
    return held if fits else pd.Series(held).astype(column.dtype).array
