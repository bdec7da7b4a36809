"""Visits that were submitted again: the first stands, with its gaps filled from the others."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from analytics.definitions.columns import EXTRA_PREFIX, KEYS, TABLES
from analytics.intake.course import Course, choose_visits
from analytics.intake.merge import Merged, merge_rows
from analytics.intake.runs import changes


@dataclass(frozen=True)
class Repeats:
    """Visits after repeated ones were merged.

    Parameters
    ----------
    course
        The visits that stand.
    at, stands_for
        Place of each visit in the table, and of the one that stands for it.
    filled, conflicts
        ``at`` (place of the standing visit), ``column``, ``found`` (see ``merge.Merged``).
    """

    course: Course
    at: np.ndarray
    stands_for: np.ndarray
    filled: pd.DataFrame
    conflicts: pd.DataFrame


def find_repeats(course: Course) -> Repeats:
    """Return the visits of a course with those of one key as one.

    Parameters
    ----------
    course
        Visits in order: those of one key follow each other, the first submitted first.
    """
    purpose = course.table.codes("purpose")[0][course.at]
    opens = changes(course.foot, course.day, purpose)
    group = np.cumsum(opens) - 1
    stands_for = course.at[opens][group]
    several = np.sort(course.at[np.bincount(group)[group] > 1])
    merged = _merge(course.table.frame(tuple(course.table.pieces.columns), several))
    filled = {
        name: pd.Series(merged.records[name].array, index=several[merged.records.index])
        for name in merged.filled["column"].unique()
    }
    standing = choose_visits(course, opens)
    return Repeats(
        replace(standing, table=course.table.with_values(filled)),
        course.at,
        stands_for,
        merged.filled.assign(at=several[merged.filled["at"].to_numpy(dtype=np.int64)]),
        merged.conflicts.assign(at=several[merged.conflicts["at"].to_numpy(dtype=np.int64)]),
    )


def _merge(visits: pd.DataFrame) -> Merged:
    key = KEYS["visits"]
    names = [column.name for column in TABLES["visits"] if column.name in visits]
    extras = [name for name in visits.columns if name.startswith(EXTRA_PREFIX)]
    return merge_rows(visits, key, [name for name in (*names, *extras) if name not in key])
