"""Pieces of visits beside what is known of their children and feet; a column is made once."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field
from functools import cached_property
from typing import Any

import numpy as np
import pandas as pd

from analytics.intake.frames import Columns
from analytics.intake.texts import coded_column, factorize, share_texts

NO_DAY = np.nan

#: Columns of children, departures and feet that a visit is seen with.
OF_CHILD = ("birth_on", "birth_precision", "prior_treatment", "sex", "link")
OF_DEPARTURE = ("left_on", "why")
OF_FOOT = ("affected",)


@dataclass(frozen=True)
class VisitTable:
    """Pieces in order of submission; courses of feet hold places in it.

    Parameters
    ----------
    pieces
        Columns of the pieces.
    facts
        Joined column to the column of the facts and the place in it of each piece, -1 for none.
    child, side
        Rank of each piece's child and side among those that occur; -1 where missing.
    day
        Days since 1970-01-01; NaN where missing.
    """

    pieces: pd.DataFrame
    facts: Mapping[str, tuple[pd.Series, np.ndarray]]
    child: np.ndarray
    side: np.ndarray
    day: np.ndarray
    _made: dict[tuple[str, str], Any] = field(default_factory=dict, repr=False, compare=False)

    @cached_property
    def foot(self) -> np.ndarray:
        """Return the number of each piece's foot; below 0 where the child or side is missing."""
        return np.where(self.side < 0, -1, self.child * 2 + self.side)

    def __contains__(self, name: str) -> bool:
        """Return whether there is such a column."""
        return name in self.facts or name in self.pieces

    def take(self, name: str, at: np.ndarray) -> pd.api.extensions.ExtensionArray:
        """Return a column at some places."""
        if name in self.facts:
            column, place = self.facts[name]
            return column.array.take(place[at], allow_fill=True)
        return self.pieces[name].array.take(at)

    def columns(self, names: Iterable[str], at: np.ndarray) -> Columns:
        """Return some columns at some places."""
        return {name: self.take(name, at) for name in names}

    def frame(self, names: Iterable[str], at: np.ndarray) -> pd.DataFrame:
        """Return some columns at some places, numbered anew."""
        return pd.DataFrame(self.columns(names, at), copy=False)

    def number(self, name: str) -> np.ndarray:
        """Return a column as fractions; NaN where missing, or where there is no such column."""
        return self._once("number", name, self._number)

    def has(self, name: str) -> bool:
        """Return whether a column is there and any piece has a value in it."""
        return self._once("has", name, lambda n: n in self and not self._column(n).isna().all())

    def _column(self, name: str) -> pd.api.extensions.ExtensionArray:
        return (self.facts[name][0] if name in self.facts else self.pieces[name]).array

    def days(self, name: str) -> np.ndarray:
        """Return a date column as days since 1970-01-01; NaN where missing."""
        return self._once("days", name, self._days)

    def codes(self, name: str) -> tuple[np.ndarray, list[object]]:
        """Return a column as places in its distinct values; missing is -1."""
        return self._once("codes", name, self._codes)

    def _once(self, kind: str, name: str, make: Callable[[str], Any]) -> Any:
        if (kind, name) not in self._made:
            self._made[kind, name] = make(name)
        return self._made[kind, name]

    def _number(self, name: str) -> np.ndarray:
        if name not in self:
            return np.full(len(self.pieces), np.nan)
        return self._spread(name, lambda c: c.to_numpy(dtype=float, na_value=np.nan), np.nan)

    def _days(self, name: str) -> np.ndarray:
        return self._spread(name, to_days, NO_DAY)

    def _codes(self, name: str) -> tuple[np.ndarray, list[object]]:
        if name not in self:
            return np.full(len(self.pieces), -1), []
        distinct: list[object] = []

        def number(column: pd.Series) -> np.ndarray:
            texts = column.array
            if isinstance(texts, pd.Categorical):
                distinct.extend(texts.categories)
                return texts.codes
            codes, values = factorize(column)
            distinct.extend(values)
            return codes

        return self._spread(name, number, -1), distinct

    def _spread(
        self, name: str, read: Callable[[pd.Series], np.ndarray], missing: float
    ) -> np.ndarray:
        """Return a column read as an array; one of the facts is read once for each of them."""
        if name not in self.facts:
            return read(self.pieces[name])
        column, place = self.facts[name]
        return np.append(read(column), missing)[place]

    def with_values(self, changes: Mapping[str, pd.Series]) -> VisitTable:
        """Return the table with other values of some pieces.

        Parameters
        ----------
        changes
            Column to its new values, by place.
        """
        pieces = self.pieces.copy(deep=False)
        for name, values in changes.items():
            column = pieces[name].array.copy()
            column[values.index.to_numpy()] = values.array
            pieces[name] = column
        made = {key: held for key, held in self._made.items() if key[1] not in changes}
        return VisitTable(pieces, self.facts, self.child, self.side, self.day, made)


def join_facts(pieces: pd.DataFrame, facts: Mapping[str, pd.DataFrame]) -> VisitTable:
    """Return pieces beside the facts of their children and feet.

    Parameters
    ----------
    pieces
        Pieces with ``child, side, visited_on``.
    facts
        ``children``, ``feet`` and ``departures``, one row each.
    """
    child, side = (coded_column(pieces[name]) for name in ("child", "side"))
    told = [coded_column(facts[table]["child"]) for table in ("children", "departures", "feet")]
    child, *told = share_texts([child, *told])
    side, of_side = share_texts([side, coded_column(facts["feet"]["side"])])
    of_child, gone, of_foot = (texts.codes.astype(np.int64) for texts in told)
    own, own_side = child.codes.astype(np.int64), side.codes.astype(np.int64)
    width = len(side.categories)
    foot = np.where(own_side < 0, -1, own * width + own_side)
    told_foot = np.where(of_side.codes < 0, -1, of_foot * width + of_side.codes)
    n = len(child.categories)
    joined = {
        **{name: (facts["children"][name], _places(of_child, own, n)) for name in OF_CHILD},
        **{name: (facts["departures"][name], _places(gone, own, n)) for name in OF_DEPARTURE},
        **{name: (facts["feet"][name], _places(told_foot, foot, n * width)) for name in OF_FOOT},
    }
    return VisitTable(pieces, joined, own, own_side, to_days(pieces["visited_on"]))


def _places(told: np.ndarray, wanted: np.ndarray, n: int) -> np.ndarray:
    """Return where each wanted number is told, or -1; numbers are below ``n``, or -1 for none."""
    place = np.full(n + 1, -1)
    known = np.flatnonzero(told >= 0)
    place[told[known]] = known
    return place[wanted]


def to_days(dates: pd.Series) -> np.ndarray:
    """Return dates as days since 1970-01-01, fractions with NaN where missing."""
    seconds = dates.to_numpy(dtype="datetime64[s]")
    days = (seconds.view(np.int64) // 86_400).astype(float)
    days[np.isnat(seconds)] = NO_DAY
    return days
