"""Visits in order with what the rules ask about them, as plain arrays."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, replace
from datetime import date
from functools import cached_property
from typing import Any

import numpy as np

from analytics.definitions.protocol import Protocol
from analytics.intake.frames import Columns
from analytics.intake.runs import (
    add_up,
    changes,
    count_within,
    find_spans,
    first_chosen,
    first_known,
    renumber,
    sort_numbers,
)
from analytics.intake.visit_table import NO_DAY, VisitTable

#: Order within a day: the foot is looked at, cut, then put in a cast or a brace.
DAY_ORDER = (
    "assessment", "tenotomy", "procedure", "cast", "brace_fitting", "brace_review", "review",
)  # fmt: skip

#: Treatment elsewhere explains a course that begins in the middle.
TREATED_BEFORE = ("casts", "tenotomy", "surgery", "unknown")


@dataclass(frozen=True)
class Frame:
    """Days between which visits can lie, and the windows in force.

    Parameters
    ----------
    protocol
        Clinical windows.
    started_on
        First day of the programme; nothing when it is not known.
    extracted_on
        Day on which the exports were made.
    """

    protocol: Protocol
    extracted_on: date
    started_on: date | None = None


@dataclass(frozen=True)
class Course:
    """Visits sorted by child, side and day, one array entry for each.

    Parameters
    ----------
    table
        Pieces of visits beside the facts of their children and feet.
    at
        Place of each visit in the table.
    foot, child
        Number of the foot and of the child.
    day
        Days since 1970-01-01.
    frame
        Days and windows.
    set_aside
        Last day, up to the visit's own, on which a visit of the foot was set aside by a hard
        rule; NaN where none was. Nothing when not known yet.

    What several rules ask is made once: ``once``.
    """

    table: VisitTable
    at: np.ndarray
    foot: np.ndarray
    child: np.ndarray
    day: np.ndarray
    frame: Frame
    set_aside: np.ndarray | None = None
    _made: dict[object, Any] = field(default_factory=dict, init=False, repr=False, compare=False)

    def once(self, key: object, make: Callable[[], Any]) -> Any:
        """Return what was made under a key, made now where it was not yet."""
        if key not in self._made:
            self._made[key] = make()
        return self._made[key]

    def show(self, names: tuple[str, ...], rows: np.ndarray) -> Columns:
        """Return some columns of some visits."""
        return self.table.columns(names, self.at[rows])

    def lacks_visit_since(self, rows: np.ndarray) -> np.ndarray:
        """Return the visits before which one was set aside after those rows: no gap to ask about.

        Parameters
        ----------
        rows
            An earlier row for each visit, or -1.
        """
        if self.set_aside is None:
            return np.zeros(len(self.day), dtype=bool)
        return self.set_aside >= self.day_of(rows)

    def number(self, name: str) -> np.ndarray:
        """Return a column as fractions; NaN where missing."""
        return self.once(("number", name), lambda: self.table.number(name)[self.at])

    def says(self, name: str, *values: object) -> np.ndarray:
        """Return the visits where a column has one of the values; missing is not one."""
        codes, distinct = self._codes(name)
        meant = [n for n, value in enumerate(distinct) if value in values]
        return np.logical_or.reduce(
            [codes == code for code in meant] or [np.zeros(len(codes), bool)]
        )

    def is_known(self, name: str) -> np.ndarray:
        """Return the visits where a column is not missing."""
        return self._codes(name)[0] >= 0

    def _codes(self, name: str) -> tuple[np.ndarray, list[object]]:
        codes, distinct = self.table.codes(name)
        return self.once(("codes", name), lambda: codes[self.at]), distinct

    def days(self, name: str) -> np.ndarray:
        """Return a date column as days since 1970-01-01; NaN where missing."""
        return self.once(("days", name), lambda: self.table.days(name)[self.at])

    @cached_property
    def is_cast(self) -> np.ndarray:
        """Return the visits at which a cast was put on."""
        return self.says("purpose", "cast")

    @cached_property
    def is_tenotomy(self) -> np.ndarray:
        """Return the visits at which a tenotomy was done."""
        return self.says("purpose", "tenotomy") | self.says("procedure", "tenotomy")

    @cached_property
    def is_fitting(self) -> np.ndarray:
        """Return the visits at which a brace was fitted."""
        return self.says("purpose", "brace_fitting")

    @cached_property
    def was_treated_before(self) -> np.ndarray:
        """Return the visits of children who were, or may have been, treated elsewhere."""
        return self.says("prior_treatment", *TREATED_BEFORE)

    @cached_property
    def age_days(self) -> np.ndarray:
        """Return the age at each visit in days; NaN where the birth date is missing."""
        return self.day - self.days("birth_on")

    @cached_property
    def midfoot(self) -> np.ndarray:
        """Return the midfoot part of the Pirani score, recorded or summed."""
        signs = ("curved_lateral_border", "medial_crease", "talar_head")
        return first_known(self.number("pirani_midfoot"), self.sum_of(signs))

    @cached_property
    def total(self) -> np.ndarray:
        """Return the Pirani score, recorded or summed."""
        signs = ("posterior_crease", "empty_heel", "rigid_equinus")
        hindfoot = first_known(self.number("pirani_hindfoot"), self.sum_of(signs))
        return first_known(self.number("pirani_total"), self.midfoot + hindfoot)

    def sum_of(self, names: tuple[str, ...]) -> np.ndarray | None:
        """Return the sums of some columns; nothing where one of them has no value at all."""
        if not all(map(self.table.has, names)):
            return None
        return add_up([self.number(name) for name in names])

    def first_of_foot(self, chosen: np.ndarray) -> np.ndarray:
        """Return for each visit the first chosen row of its foot, or -1."""
        return first_chosen(self.foot, chosen)

    def first_of_child(self, chosen: np.ndarray) -> np.ndarray:
        """Return for each visit the first chosen row of its child, or -1."""
        return first_chosen(self.child, chosen)

    def first_day(self, chosen: np.ndarray) -> np.ndarray:
        """Return for each visit the first chosen day of its foot; NaN where there is none."""
        return self.day_of(self.first_of_foot(chosen))

    def day_of(self, rows: np.ndarray) -> np.ndarray:
        """Return the days of rows; NaN for -1."""
        return self.once("day of", lambda: np.append(self.day, NO_DAY))[rows]

    def value_of(self, values: np.ndarray, rows: np.ndarray) -> np.ndarray:
        """Return the values at rows; NaN for -1."""
        return np.append(values, NO_DAY)[rows]

    def row_after(self, chosen: np.ndarray, *, same_day: bool = False) -> np.ndarray:
        """Return for each visit the next chosen row of its foot on a later day, or -1.

        Parameters
        ----------
        chosen
            Rows to look for.
        same_day
            Whether a chosen row of the same day counts.
        """
        n = len(chosen)
        rows = np.where(chosen, np.arange(n), n)
        following = np.append(np.minimum.accumulate(rows[::-1])[::-1], n)
        begin, end = self._of_day
        found = following[begin if same_day else end]
        return np.where(found < self._of_foot[1], found, -1)

    def row_before(self, chosen: np.ndarray, *, same_day: bool = False) -> np.ndarray:
        """Return for each visit the last chosen row of its foot on an earlier day, or -1."""
        rows = np.where(chosen, np.arange(len(chosen)), -1)
        before = np.append(-1, np.maximum.accumulate(rows))
        begin, end = self._of_day
        found = before[end if same_day else begin]
        return np.where(found >= self._of_foot[0], found, -1)

    def before(self, event: str) -> np.ndarray:
        """Return ``row_before`` of "cast", "fitting" or "tenotomy"."""
        return self.once(("before", event), lambda: self.row_before(getattr(self, f"is_{event}")))

    def after(self, event: str) -> np.ndarray:
        """Return ``row_after`` of "cast", "fitting" or "tenotomy"."""
        return self.once(("after", event), lambda: self.row_after(getattr(self, f"is_{event}")))

    @cached_property
    def _of_day(self) -> tuple[np.ndarray, np.ndarray]:
        """Return for each visit the first row of its foot's day, and the first row after it."""
        return find_spans(changes(self.foot, self.day))

    @property
    def begin_of_day(self) -> np.ndarray:
        """Return for each visit the first row of its foot's day."""
        return self._of_day[0]

    @cached_property
    def _of_foot(self) -> tuple[np.ndarray, np.ndarray]:
        """Return for each visit the first row of its foot, and the first row after the foot."""
        return find_spans(changes(self.foot))

    @cached_property
    def series(self) -> np.ndarray:
        """Return the number of the cast series of each cast within its foot; 0 for others.

        A series ends after ``new_series_days`` without a cast, or when a brace was fitted.
        """
        is_cast = self.is_cast
        before = self.before("cast")
        gap = self.day - self.day_of(before)
        fitted = self.day_of(self.before("fitting"))
        braced = fitted >= self.day_of(before)
        fresh = (before < 0) | (gap > self.frame.protocol.new_series_days) | braced
        rows = np.flatnonzero(is_cast)
        # Casts of one day belong together: only the first of them may open a series.
        opens = changes(self.begin_of_day[rows])
        series = np.zeros(len(self.day), dtype=np.int64)
        series[rows] = count_within(opens & fresh[rows], self.foot[rows])
        return series


def order_course(table: VisitTable, at: np.ndarray, frame: Frame) -> Course:
    """Return some pieces as a course, by child, side, day, purpose and submission.

    Parameters
    ----------
    table
        Pieces; ``seq`` is their order of submission.
    at
        Places of those with child, side and day known.
    frame
        Days and windows.
    """
    codes, distinct = table.codes("purpose")
    rank = np.array([*map(DAY_ORDER.index, distinct), -1])[codes[at]]
    day, seq = table.day[at].astype(np.int64), table.pieces["seq"].to_numpy()[at]
    order = sort_numbers([seq, rank, day, table.foot[at]])
    foot = table.foot[at][order]
    return Course(
        table, at[order], renumber(foot), renumber(table.child[at][order]), day[order], frame
    )


def choose_visits(course: Course, chosen: np.ndarray) -> Course:
    """Return the course with the chosen visits alone."""
    if chosen.all():
        return course
    return replace(
        course,
        at=course.at[chosen],
        foot=renumber(course.foot[chosen]),
        child=renumber(course.child[chosen]),
        day=course.day[chosen],
    )
