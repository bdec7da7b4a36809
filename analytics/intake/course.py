"""Visits in order with what the rules ask about them, as plain arrays."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import date
from functools import cached_property

import numpy as np
import pandas as pd

from analytics.definitions.protocol import Protocol
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
    """

    table: VisitTable
    at: np.ndarray
    foot: np.ndarray
    child: np.ndarray
    day: np.ndarray
    frame: Frame
    set_aside: np.ndarray | None = None

    def show(self, names: tuple[str, ...], rows: np.ndarray) -> pd.DataFrame:
        """Return some columns of some visits."""
        return self.table.frame(names, self.at[rows])

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
        return self.table.number(name)[self.at]

    def says(self, name: str, *values: object) -> np.ndarray:
        """Return the visits where a column has one of the values; missing is not one."""
        codes, distinct = self.table.codes(name)
        meant = np.array([*(value in values for value in distinct), False], dtype=bool)
        return meant[codes[self.at]]

    def is_known(self, name: str) -> np.ndarray:
        """Return the visits where a column is not missing."""
        return self.table.codes(name)[0][self.at] >= 0

    def days(self, name: str) -> np.ndarray:
        """Return a date column as days since 1970-01-01; NaN where missing."""
        return self.table.days(name)[self.at]

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
        return _first_known(self.number("pirani_midfoot"), self._sum(signs))

    @cached_property
    def total(self) -> np.ndarray:
        """Return the Pirani score, recorded or summed."""
        signs = ("posterior_crease", "empty_heel", "rigid_equinus")
        hindfoot = _first_known(self.number("pirani_hindfoot"), self._sum(signs))
        return _first_known(self.number("pirani_total"), self.midfoot + hindfoot)

    def _sum(self, names: tuple[str, ...]) -> np.ndarray:
        return np.sum([self.number(name) for name in names], axis=0)

    def first_of_foot(self, chosen: np.ndarray) -> np.ndarray:
        """Return for each visit the first chosen row of its foot, or -1."""
        return self._first(self.foot, chosen)

    def first_of_child(self, chosen: np.ndarray) -> np.ndarray:
        """Return for each visit the first chosen row of its child, or -1."""
        return self._first(self.child, chosen)

    def _first(self, group: np.ndarray, chosen: np.ndarray) -> np.ndarray:
        n_groups = int(group.max(initial=-1)) + 1
        first = np.full(n_groups, -1)
        rows = np.flatnonzero(chosen)[::-1]
        first[group[rows]] = rows
        return first[group]

    def first_day(self, chosen: np.ndarray) -> np.ndarray:
        """Return for each visit the first chosen day of its foot; NaN where there is none."""
        return self.day_of(self.first_of_foot(chosen))

    def day_of(self, rows: np.ndarray) -> np.ndarray:
        """Return the days of rows; NaN for -1."""
        return self.value_of(self.day.astype(float), rows)

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
        rows = np.where(chosen, np.arange(len(chosen)), len(chosen))
        following = np.append(np.minimum.accumulate(rows[::-1])[::-1], len(chosen))
        begin, end = self._of_day
        found = following[begin if same_day else end]
        return self._same_foot(np.where(found == len(chosen), -1, found))

    def row_before(self, chosen: np.ndarray, *, same_day: bool = False) -> np.ndarray:
        """Return for each visit the last chosen row of its foot on an earlier day, or -1."""
        rows = np.where(chosen, np.arange(len(chosen)), -1)
        before = np.append(-1, np.maximum.accumulate(rows))
        begin, end = self._of_day
        return self._same_foot(before[end if same_day else begin])

    @cached_property
    def _of_day(self) -> tuple[np.ndarray, np.ndarray]:
        """Return for each visit the first row of its foot's day, and the first row after it."""
        n = len(self.day)
        opens = np.ones(n, dtype=bool)
        opens[1:] = (self.foot[1:] != self.foot[:-1]) | (self.day[1:] != self.day[:-1])
        begin = np.flatnonzero(opens)
        own = np.cumsum(opens) - 1
        return begin[own], np.append(begin[1:], n)[own]

    def _same_foot(self, rows: np.ndarray) -> np.ndarray:
        return np.where((rows >= 0) & (self.foot[rows] == self.foot), rows, -1)

    @cached_property
    def series(self) -> np.ndarray:
        """Return the number of the cast series of each cast within its foot; 0 for others.

        A series ends after ``new_series_days`` without a cast, or when a brace was fitted.
        """
        is_cast = self.is_cast
        before = self.row_before(is_cast)
        gap = self.day - self.day_of(before)
        fitted = self.day_of(self.row_before(self.is_fitting))
        braced = fitted >= self.day_of(before)
        fresh = (before < 0) | (gap > self.frame.protocol.new_series_days) | braced
        # Casts of one day belong together: only the first of them may open a series.
        rows = np.flatnonzero(is_cast)
        twin = np.zeros(len(rows), dtype=bool)
        twin[1:] = (self.foot[rows][1:] == self.foot[rows][:-1]) & (
            self.day[rows][1:] == self.day[rows][:-1]
        )
        opens = fresh[rows] & ~twin
        running = np.cumsum(opens)
        start_of_foot = np.r_[True, self.foot[rows][1:] != self.foot[rows][:-1]][: len(rows)]
        base = np.maximum.accumulate(np.where(start_of_foot, running - 1, 0))
        series = np.zeros(len(self.day), dtype=np.int64)
        series[rows] = running - base
        return series


def begins(number: np.ndarray) -> np.ndarray:
    """Return the places at which a new number begins, of numbers that stand together."""
    return np.flatnonzero(np.r_[True, number[1:] != number[:-1]][: len(number)])


def renumber(number: np.ndarray) -> np.ndarray:
    """Return ascending numbers as 0, 1, 2, ... without gaps."""
    new = np.zeros(len(number), dtype=np.int64)
    new[begins(number)[1:]] = 1
    return np.cumsum(new)


def _first_known(first: np.ndarray, second: np.ndarray) -> np.ndarray:
    return np.where(np.isnan(first), second, first)


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
    child, side, day = table.child[at], table.side[at], table.day[at].astype(np.int64)
    order = np.lexsort((table.pieces["seq"].to_numpy()[at], rank, day, side, child))
    foot = table.foot[at][order]
    return Course(table, at[order], renumber(foot), renumber(child[order]), day[order], frame)


def choose_visits(course: Course, chosen: np.ndarray) -> Course:
    """Return the course with the chosen visits alone."""
    return replace(
        course,
        at=course.at[chosen],
        foot=renumber(course.foot[chosen]),
        child=renumber(course.child[chosen]),
        day=course.day[chosen],
    )
