"""Sums, firsts and lasts over segments of arrays, and days as columns of a table.

What holds somewhere holds in few rows, as a rule, so that only these are looked at.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from analytics.intake.runs import changes

Ints = NDArray[np.int64]
Floats = NDArray[np.float64]
Flags = NDArray[np.bool_]

#: Stands for "no such day" in arrays of days since 1970-01-01: later than any day. A last day
#: that does not exist is ``-NEVER``.
NEVER = 10**9


@dataclass(frozen=True)
class Segments:
    """Consecutive rows that belong together: the number of each row's segment, and how many."""

    of: Ints
    n: int


def ends(key: NDArray) -> Flags:
    """Return where a sorted key differs from the row after; true at the last row."""
    return np.append(changes(key)[1:], True)[: len(key)]


def first_day(day: Ints, where: Flags, segments: Segments) -> Ints:
    """Return the first day of each segment, in order, where something holds, else ``NEVER``."""
    return take(day, first_index(where, segments), NEVER)


def last_day(day: Ints, where: Flags, segments: Segments) -> Ints:
    """Return the last day of each segment, in order, where something holds, else ``-NEVER``."""
    return take(day, last_index(where, segments), -NEVER)


def n_true(where: Flags, segments: Segments) -> Ints:
    """Return how often something holds in each segment."""
    return np.bincount(segments.of[np.flatnonzero(where)], minlength=segments.n)


def is_any(where: Flags, segments: Segments) -> Flags:
    """Return whether something holds anywhere in each segment."""
    found = np.zeros(segments.n, dtype=bool)
    found[segments.of[np.flatnonzero(where)]] = True
    return found


def first_index(where: Flags, segments: Segments) -> Ints:
    """Return the first row of each segment where something holds, else -1."""
    # Of several rows of a segment the one that is put last stays.
    at = np.flatnonzero(where)[::-1]
    found = np.full(segments.n, -1, dtype=np.int64)
    found[segments.of[at]] = at
    return found


def last_index(where: Flags, segments: Segments) -> Ints:
    """Return the last row of each segment where something holds, else -1."""
    at = np.flatnonzero(where)
    found = np.full(segments.n, -1, dtype=np.int64)
    found[segments.of[at]] = at
    return found


def latest_index(where: Flags, segments: Segments, at: Ints) -> Ints:
    """Return for some rows the last row of their segment up to each where it holds, else -1."""
    found = np.append(np.flatnonzero(where), -1)[np.cumsum(where)[at] - 1]
    return np.where(segments.of[found] == segments.of[at], found, -1)


def take(values: NDArray, index: Ints, missing: object) -> NDArray:
    """Return values at an index, and a stand-in where the index is -1."""
    out = np.full(len(index), missing, dtype=values.dtype)
    found = np.flatnonzero(index >= 0)
    out[found] = values[index[found]]
    return out


def as_days(dates: pd.Series) -> Ints:
    """Return days since 1970-01-01; a missing date becomes ``NEVER``."""
    held = dates.to_numpy(dtype="datetime64[D]")
    days = held.astype(np.int64)
    missing = np.isnat(held)
    return np.where(missing, NEVER, days) if missing.any() else days


def as_dates(days: Ints) -> NDArray[np.datetime64]:
    """Return dates; ``NEVER`` and ``-NEVER`` become missing."""
    known = np.abs(days) < NEVER
    dates = np.where(known, days, 0).astype("datetime64[D]").astype("datetime64[s]")
    dates[~known] = np.datetime64("NaT")
    return dates


def as_counts(values: Ints, known: Flags) -> pd.arrays.IntegerArray:
    """Return nullable integers, missing where they are not known."""
    return pd.arrays.IntegerArray(values.astype(np.int64), ~known)


def as_flags(values: Flags, known: Flags) -> pd.arrays.BooleanArray:
    """Return nullable flags, missing where they are not known."""
    return pd.arrays.BooleanArray(values.astype(bool), ~known)


def as_numbers(values: Floats) -> pd.arrays.FloatingArray:
    """Return nullable numbers; not-a-number becomes missing."""
    return pd.arrays.FloatingArray(values.astype(np.float64), np.isnan(values))


def days_between(earlier: Ints, later: Ints) -> pd.arrays.IntegerArray:
    """Return days from one day to another, missing where either is."""
    known = (np.abs(earlier) < NEVER) & (np.abs(later) < NEVER)
    return as_counts(np.where(known, later - earlier, 0), known)
