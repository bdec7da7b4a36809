"""Sums, firsts and lasts over consecutive segments of sorted arrays."""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import NDArray

Ints = NDArray[np.int64]
Floats = NDArray[np.float64]
Flags = NDArray[np.bool_]

#: Stands for "no such day" in arrays of days since 1970-01-01: later than any day. A last day
#: that does not exist is ``-NEVER``.
NEVER = 10**9


def begins(*keys: NDArray) -> Flags:
    """Return where any of some sorted keys differs from the row before; true at the first row."""
    changed = np.zeros(len(keys[0]), dtype=bool)
    changed[:1] = True
    for key in keys:
        changed[1:] |= key[1:] != key[:-1]
    return changed


def first_day(day: Ints, where: Flags, starts: Ints) -> Ints:
    """Return the earliest day of each segment where something holds, else ``NEVER``."""
    return np.minimum.reduceat(np.where(where, day, NEVER), starts)


def last_day(day: Ints, where: Flags, starts: Ints) -> Ints:
    """Return the latest day of each segment where something holds, else ``-NEVER``."""
    return np.maximum.reduceat(np.where(where, day, -NEVER), starts)


def n_true(where: Flags, starts: Ints) -> Ints:
    """Return how often something holds in each segment."""
    return np.add.reduceat(where.astype(np.int64), starts)


def is_any(where: Flags, starts: Ints) -> Flags:
    """Return whether something holds anywhere in each segment."""
    return np.logical_or.reduceat(where, starts)


def first_index(where: Flags, starts: Ints) -> Ints:
    """Return the first row of each segment where something holds, else -1."""
    index = np.where(where, np.arange(len(where)), NEVER)
    found = np.minimum.reduceat(index, starts)
    return np.where(found < NEVER, found, -1)


def last_index(where: Flags, starts: Ints) -> Ints:
    """Return the last row of each segment where something holds, else -1."""
    return np.maximum.reduceat(np.where(where, np.arange(len(where)), -1), starts)


def latest_index(where: Flags, floor: Ints) -> Ints:
    """Return for each row the last row up to it where something holds, not before ``floor``."""
    index = np.maximum.accumulate(np.where(where, np.arange(len(where)), -1))
    return np.where(index >= floor, index, -1)


def segment_of(starts: Ints, n_rows: int) -> Ints:
    """Return the number of the segment of each row."""
    lengths = np.diff(np.append(starts, n_rows))
    return np.repeat(np.arange(len(starts)), lengths)


def take(values: NDArray, index: Ints, missing: object) -> NDArray:
    """Return values at an index, and a stand-in where the index is -1."""
    out = np.full(len(index), missing, dtype=values.dtype)
    found = index >= 0
    out[found] = values[index[found]]
    return out


def as_days(dates: pd.Series) -> Ints:
    """Return days since 1970-01-01; a missing date becomes ``NEVER``."""
    days = dates.to_numpy(dtype="datetime64[D]").astype(np.int64)
    return np.where(dates.isna().to_numpy(dtype=bool), NEVER, days)


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
