"""Visits in an order of their own, foot by foot and day by day."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date

import numpy as np
import pandas as pd

from analytics.courses.segments import Flags, Floats, Ints, Segments, as_days
from analytics.definitions.codes import PURPOSES, SIDES
from analytics.intake.frames import with_columns
from analytics.intake.runs import changes
from analytics.intake.texts import coded_column, factorize, plain_frame, stack_texts

#: Texts of a visit that a course is read from.
_TEXTS = ("child", "side", "clinic", "purpose", "procedure", "brace_use", "complication")


@dataclass(frozen=True)
class Timeline:
    """Visits of all feet in order.

    Parameters
    ----------
    visits
        Canonical visits as they were given; texts that courses read are coded.
    rows
        Places in them of the visits up to the cut-off, sorted by child, side, day and purpose;
        nothing where that is all of them as they stand.
    children
        Children seen, in order.
    child, side
        Of each foot seen: a place in ``children`` and in ``SIDES``.
    foot
        Foot of each day; a day is one day on which one foot was seen.
    day
        Days since 1970-01-01.
    foot_starts
        First day of each foot.
    row_starts
        First visit of each day.
    day_of_row
        Day of each visit.
    """

    visits: pd.DataFrame
    rows: Ints | None
    children: pd.Categorical
    child: Ints
    side: Ints
    foot: Ints
    day: Ints
    foot_starts: Ints
    row_starts: Ints
    day_of_row: Ints

    @property
    def number(self) -> Ints:
        """Return the number of each foot seen (``number_feet``)."""
        return number_feet(self.child, self.side)

    @property
    def n_sides(self) -> int:
        """Return how many feet the children have."""
        return len(self.children) * len(SIDES)

    @property
    def by_day(self) -> Segments:
        """Return the visits as segments of days."""
        return Segments(self.day_of_row, len(self.day))

    def find_children(self, column: pd.Series) -> Ints:
        """Return the place in ``children`` of each child of a table's column, -1 for none."""
        if column.empty:
            return np.array([], dtype=np.int64)
        together = stack_texts([self.children, coded_column(column)])
        seen, asked = np.split(together.codes, [len(self.children)])
        place = np.full(len(together.categories) + 1, -1, dtype=np.int64)
        place[seen] = np.arange(len(seen))
        return place[asked]

    def find_feet(self, table: pd.DataFrame) -> Ints:
        """Return the number of each row's foot, a child's right one after its left, -1 for none."""
        child = self.find_children(table["child"])
        side = _places(coded_column(table["side"]), SIDES)
        return np.where((child < 0) | (side < 0), -1, number_feet(child, side))

    def column(self, name: str) -> pd.api.extensions.ExtensionArray:
        """Return a column of the visits in order."""
        held = self.visits[name].array
        return held if self.rows is None else held.take(self.rows)

    def pick(self, name: str, at: Ints) -> pd.api.extensions.ExtensionArray:
        """Return a column at some visits, given by their place in order."""
        return self.visits[name].array.take(at if self.rows is None else self.rows[at])

    def numbers(self, name: str) -> Floats:
        """Return a column in order as fractions, NaN where missing."""
        if self.is_empty(name):
            return np.full(len(self.day_of_row), np.nan)
        return self.column(name).to_numpy(dtype=float, na_value=np.nan)

    def says(self, name: str, answer: bool) -> Flags:
        """Return the visits in order that give an answer; a missing one is none."""
        if self.is_empty(name):
            return np.zeros(len(self.day_of_row), dtype=bool)
        told = self.column(name).to_numpy(dtype=bool, na_value=not answer)
        return told if answer else ~told

    def is_one(self, name: str, *codes: str) -> Flags:
        """Return the visits in order whose coded text is one of some codes."""
        texts = self.column(name)
        found = np.zeros(len(texts), dtype=bool)
        for place in texts.categories.get_indexer(codes):
            if place >= 0:
                found |= texts.codes == place
        return found

    def places(self, name: str, codes: tuple[str, ...]) -> Ints:
        """Return a coded text in order as places among some codes, -1 for none of them."""
        return _places(self.column(name), codes)

    def is_empty(self, name: str) -> bool:
        """Return whether a column says nothing at all."""
        return bool(self.visits[name].array.isna().all())

    def show_visits(self) -> pd.DataFrame:
        """Return the visits in order, as a table in which texts are not coded."""
        visits = plain_frame(self.visits)
        rows = slice(None) if self.rows is None else self.rows
        return visits.iloc[rows].reset_index(drop=True)


def number_feet(child: Ints, side: Ints) -> Ints:
    """Return a number for each foot; the last bit tells the two feet of a child apart."""
    return child * len(SIDES) + side


def build_timeline(visits: pd.DataFrame, cut_off: date) -> Timeline:
    """Return the visits at or before the cut-off in an order that does not depend on the input's.

    Parameters
    ----------
    visits
        Canonical visits.
    cut_off
        Later visits are left out: they belong to a later report.
    """
    visits = with_columns(visits, **{name: coded_column(visits[name]) for name in _TEXTS})
    day = as_days(visits["visited_on"])
    foot = number_feet(_rank_texts(visits["child"]), _places(visits["side"].array, SIDES))
    rows = _find_order(visits, foot, day, last=_day_of(cut_off))
    if rows is not None:
        foot, day = foot[rows], day[rows]
    is_row_start = changes(foot, day)
    row_starts = np.flatnonzero(is_row_start)
    is_foot_start = changes(foot[row_starts])
    foot_starts = np.flatnonzero(is_foot_start)
    seen = row_starts[foot_starts]
    is_child_start = changes(foot[seen] // len(SIDES))
    at = seen[is_child_start] if rows is None else rows[seen[is_child_start]]
    return Timeline(
        visits=visits,
        rows=rows,
        children=visits["child"].array.take(at),
        child=np.cumsum(is_child_start) - 1,
        side=foot[seen] % len(SIDES),
        foot=np.cumsum(is_foot_start) - 1,
        day=day[row_starts],
        foot_starts=foot_starts,
        row_starts=row_starts,
        day_of_row=np.cumsum(is_row_start) - 1,
    )


def _day_of(cut_off: date) -> int:
    return int(np.datetime64(cut_off, "D").astype(np.int64))


def _find_order(visits: pd.DataFrame, foot: Ints, day: Ints, *, last: int) -> Ints | None:
    """Return the places of visits up to a last day in order; nothing where they stand in it."""
    purpose = _places(visits["purpose"].array, PURPOSES) + 1
    first = int(day.min(initial=last))
    key = (foot * (last - first + 1) + day - first) * (len(PURPOSES) + 1) + purpose
    at = None
    if np.any(day > last):
        at = np.flatnonzero(day <= last)
        key = key[at]
    step = np.diff(key)
    if np.all(step > 0):
        return at
    order = np.argsort(key, kind="stable")
    if np.any(np.diff(key[order]) == 0):
        order = np.lexsort((*_address(visits, at), key))
    return order if at is None else at[order]


def _rank_texts(column: pd.Series) -> Ints:
    """Return numbers that stand in the order of the texts; none of these is missing."""
    texts = column.array
    opens = changes(texts.codes)
    runs = texts.categories.to_numpy(dtype=object)[texts.codes[opens]]
    # Canonical visits stand by child, so that no text needs to be sorted.
    if np.all(runs[1:] > runs[:-1]):
        return np.cumsum(opens) - 1
    return factorize(column, sort=True)[0]


def _places(texts: pd.Categorical, codes: tuple[str, ...]) -> Ints:
    places = pd.Index(codes).get_indexer(texts.categories)
    return np.append(places, -1)[texts.codes]


def _address(visits: pd.DataFrame, at: Ints | None) -> list[Ints]:
    """Return what tells visits of one key apart, the most telling last."""
    names = [name for name in ("line", "sheet", "file") if name in visits.columns]
    ranks = [factorize(visits[name], sort=True)[0] for name in names]
    return ranks if at is None else [rank[at] for rank in ranks]
