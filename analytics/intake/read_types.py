"""Cells as codes into their distinct values: what readers hand on."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
import pyarrow as pa

from analytics.intake.texts import from_codes


@dataclass(frozen=True)
class RawTable:
    """A table as it stands in a file, not yet tidied.

    Parameters
    ----------
    sheet
        Name of the sheet; empty for a text file.
    headings
        Cells of the heading line, the last one where there are several.
    columns
        One categorical for each heading; some readers make it only when it is looked at.
    line
        Line of each row, counted from 1.
    is_ragged
        Rows that have another number of cells than there are headings.
    upper
        Cells of the heading lines above the last one.
    """

    sheet: str
    headings: list[object]
    columns: Sequence[pd.Categorical]
    line: np.ndarray
    is_ragged: np.ndarray
    upper: tuple[list[object], ...] = ()

    def fewest_texts_first(self, columns: Iterable[int]) -> list[int]:
        """Return columns with those first that can be looked at in the shortest time."""
        held = self.columns
        sizes = held.sizes if isinstance(held, Decoded) else [len(c.categories) for c in held]
        return sorted(columns, key=sizes.__getitem__)


class Decoded(Sequence[pd.Categorical]):
    """Columns of Arrow dictionaries; one is made a categorical when it is looked at."""

    def __init__(self, columns: Sequence[pa.DictionaryArray]) -> None:
        self._columns = columns
        self._made: dict[int, pd.Categorical] = {}
        self.sizes = [len(column.dictionary) for column in columns]

    def __len__(self) -> int:
        """Return the number of columns."""
        return len(self._columns)

    def __getitem__(self, number: Any) -> Any:
        """Return one column."""
        if number not in self._made:
            held = self._columns[number]
            texts = held.dictionary.to_numpy(zero_copy_only=False)
            self._made[number] = from_codes(held.indices.to_numpy(), texts)
        return self._made[number]


def category_mask(cells: pd.Categorical, test: Callable[[object], bool]) -> np.ndarray:
    """Return the rows whose value passes a test; a cell that is not there passes."""
    passed = np.array([*map(test, cells.categories), True], dtype=bool)
    return passed[cells.codes]


def all_columns(masks: Iterable[np.ndarray]) -> np.ndarray:
    """Return the rows that every mask holds; a mask is made only while any row is left."""
    each = iter(masks)
    held = next(each).copy()
    while held.any():
        mask = next(each, None)
        if mask is None:
            break
        held &= mask
    return held


def is_blank(cells: pd.Categorical) -> np.ndarray:
    """Return the rows whose cell is not there or holds white space alone."""
    return category_mask(cells, lambda value: not str(value).strip())
