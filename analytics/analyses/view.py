"""Feet as they are looked at: what many questions need of them is worked out once."""

from __future__ import annotations

from collections.abc import Callable, Hashable
from dataclasses import dataclass, field
from functools import cached_property
from typing import Any, TypeVar

import numpy as np
import pandas as pd

from analytics.courses.cohort import Cohort
from analytics.definitions.plain_columns import Values, read_column
from analytics.definitions.rules import Reader

Made = TypeVar("Made")


@dataclass(frozen=True, eq=False)
class View:
    """Feet of a cohort as plain arrays; a foot is named by its place among them.

    Parameters
    ----------
    cohort
        Feet at the cut-off.
    """

    cohort: Cohort
    _made: dict[Hashable, Any] = field(default_factory=dict, repr=False)

    def __len__(self) -> int:
        """Return how many feet there are."""
        return len(self.cohort.feet)

    @cached_property
    def rules(self) -> Reader:
        """Return what reads rules and columns of the feet."""
        return Reader(self.cohort.feet, self.cohort.protocol)

    @cached_property
    def child(self) -> np.ndarray:
        """Return (n,) the child of each foot, from 0."""
        return number_children(self.cohort.feet)

    @cached_property
    def n_children(self) -> int:
        """Return how many children there are."""
        return int(self.child.max(initial=-1)) + 1

    @cached_property
    def first(self) -> np.ndarray:
        """Return the places of each child's first foot (by start, then side), in order of feet."""
        return find_first(self.cohort.feet, self.child)

    def once(self, name: Hashable, make: Callable[[], Made]) -> Made:
        """Return what was made under a name, or make it."""
        if name not in self._made:
            self._made[name] = make()
        return self._made[name]

    def only(self, columns: frozenset[str]) -> Cohort:
        """Return the cohort with some columns: rows are picked in a fraction of the time."""
        feet = self.cohort.feet
        own = [name for name in feet.columns if name in columns]
        return Cohort(**{**vars(self.cohort), "feet": feet[own]})


def number_children(feet: pd.DataFrame) -> np.ndarray:
    """Return the child of each foot as whole numbers from 0; numbers stay as they are."""
    child = feet["child"]
    if child.dtype == np.int64:
        return child.to_numpy()
    return pd.factorize(child, use_na_sentinel=False)[0].astype(np.int64)


def renumber(codes: np.ndarray) -> np.ndarray:
    """Return whole numbers from 0 without a gap, in the order of those given, also from 0."""
    seen = np.zeros(int(codes.max(initial=-1)) + 1, dtype=bool)
    seen[codes] = True
    return (np.cumsum(seen) - 1)[codes]


def find_first(feet: pd.DataFrame, child: np.ndarray) -> np.ndarray:
    """Return the places of each child's first foot (by start, then side), in order of the feet."""
    start, side = (_rank(read_column(feet[name])) for name in ("started_on", "side"))
    order = np.lexsort((side, start, child))
    ordered = child[order]
    is_first = np.append(True, ordered[1:] != ordered[:-1])[: len(order)]
    first = order[is_first]
    return first[np.argsort(feet.index[first], kind="stable")]


def _rank(column: Values) -> np.ndarray:
    """Return numbers in the order of the values, a missing one last."""
    held = column.held
    if column.words is not None:
        rank = np.argsort(np.argsort(column.words.astype(str), kind="stable"))
        held = np.append(rank, 0)[held]
    return np.where(column.known, held, np.iinfo(np.int64).max)
