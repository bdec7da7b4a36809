"""Columns as plain arrays, and the truth of what is asked of them: a fraction of pandas' time."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

Operator = Callable[[Any, Any], Any]

_SECONDS_OF_A_DAY = 86_400


@dataclass(frozen=True, slots=True, eq=False)
class Values:
    """A column.

    Parameters
    ----------
    held
        (n,) numbers, flags, seconds of dates, or places of texts among the words. What stands
        where nothing is known means nothing.
    known
        (n,) whether there is a value.
    kind
        "number" (flags too), "date" or "word".
    words
        (k,) distinct texts, where ``held`` are places among them.
    """

    held: np.ndarray
    known: np.ndarray
    kind: str = "number"
    words: np.ndarray | None = None


@dataclass(frozen=True, slots=True, eq=False)
class Truth:
    """Truth of three values: (n,) what is true and what is false; the rest is missing."""

    yes: np.ndarray
    no: np.ndarray

    @property
    def known(self) -> np.ndarray:
        """Return (n,) whether it is true or false."""
        return self.yes | self.no

    def __and__(self, other: Truth) -> Truth:
        """Return what both make true; one that is false decides."""
        return Truth(self.yes & other.yes, self.no | other.no)

    def __or__(self, other: Truth) -> Truth:
        """Return what one of both makes true."""
        return Truth(self.yes | other.yes, self.no & other.no)

    def __invert__(self) -> Truth:
        """Return the contrary."""
        return Truth(self.no, self.yes)


def read_column(column: pd.Series) -> Values:
    """Return a column of a frame as plain arrays."""
    kind = column.dtype.kind if isinstance(column.dtype, np.dtype) else ""
    if isinstance(column.dtype, pd.CategoricalDtype):
        codes = column.cat.codes.to_numpy()
        return Values(codes, codes >= 0, "word", column.cat.categories.to_numpy(dtype=object))
    if kind == "M":
        held = column.to_numpy()
        return Values(held.astype("datetime64[s]").view(np.int64), ~np.isnat(held), "date")
    if pd.api.types.is_bool_dtype(column.dtype) or pd.api.types.is_numeric_dtype(column.dtype):
        known = column.notna().to_numpy()
        if kind:
            return Values(column.to_numpy(), known)
        plain = column.dtype.numpy_dtype
        held = column.to_numpy(dtype=plain, na_value=plain.type(0))
        return Values(held, known & ~np.isnan(held))  # pandas does not call 0 / 0 missing
    codes, words = pd.factorize(column)
    return Values(codes, codes >= 0, "word", np.asarray(words, dtype=object))


def days_between(first: Values, second: Values) -> Values:
    """Return the whole days from one date to another."""
    days = (second.held - first.held) // _SECONDS_OF_A_DAY
    return Values(days, first.known & second.known)


def as_truth(value: Values | Truth | Any, n: int) -> Truth:
    """Return flags, numbers 0 and 1, or one constant for all rows as truth.

    Raises
    ------
    TypeError
        When a column or constant is neither.
    """
    if isinstance(value, Truth):
        return value
    if not isinstance(value, Values):
        if value not in (0, 1):
            raise TypeError("a constant that is neither yes nor no stands alone")
        return Truth(np.full(n, bool(value)), np.full(n, not value))
    if value.kind != "number" or not np.isin(value.held[value.known], (0, 1)).all():
        raise TypeError("a column that is neither yes nor no stands alone")
    is_true = value.held.astype(bool)
    return Truth(is_true & value.known, ~is_true & value.known)


def as_side(value: Values | Truth | Any) -> Values | Any:
    """Return a truth as a column of flags, to be compared; all else as it is."""
    return Values(value.yes, value.known) if isinstance(value, Truth) else value


def compare(how: Operator, left: Values | Any, right: Values | Any, n: int) -> Truth:
    """Return the truth of a comparison of columns and constants; missing where one of them is.

    Raises
    ------
    TypeError
        When things of different kinds are compared: they would be equal nowhere, without a sign.
    """
    if _kind(left) != _kind(right):
        raise TypeError(f"a {_kind(left)} is compared with a {_kind(right)}")
    if isinstance(left, Values) and left.words is not None and isinstance(right, str):
        said: Any = _of_words(left, how(left.words, right))
    elif isinstance(right, Values) and right.words is not None and isinstance(left, str):
        said = _of_words(right, how(left, right.words))
    else:
        said = how(_plain(left), _plain(right))
    known = _known(left, right, n)
    yes = known & said
    return Truth(yes, known & ~yes)


def _kind(side: Values | Any) -> str:
    if isinstance(side, Values):
        return side.kind
    return "word" if isinstance(side, str) else "number"


def _known(left: Values | Any, right: Values | Any, n: int) -> np.ndarray:
    sides = [side.known for side in (left, right) if isinstance(side, Values)]
    return np.logical_and.reduce(sides) if sides else np.ones(n, dtype=bool)


def _of_words(column: Values, said: Any) -> np.ndarray:
    """Return what is said of each word for each row; of no word, nothing."""
    return np.append(np.asarray(said, dtype=bool), False)[column.held]


def _plain(side: Values | Any) -> Any:
    if not isinstance(side, Values):
        return side
    return side.held if side.words is None else np.append(side.words, "")[side.held]
