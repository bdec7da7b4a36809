"""Sheets of one map as one: columns are translated once for many small files."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
import pandas as pd

from analytics.intake.read import Sheet
from analytics.intake.texts import fold_codes, stack_texts


@dataclass(frozen=True)
class Stacked:
    """Sheets with the same headings under each other; see ``read.Sheet`` for the columns.

    Parameters
    ----------
    sheets
        The sheets in their order; of several the cells are let go.
    cells, line, aside
        Those of all sheets together.
    """

    sheets: tuple[Sheet, ...]
    cells: pd.DataFrame
    line: np.ndarray
    aside: pd.Categorical

    @cached_property
    def number(self) -> np.ndarray:
        """Return for each row the place of its sheet in ``sheets``."""
        return np.repeat(np.arange(len(self.sheets)), [len(s.line) for s in self.sheets])

    @cached_property
    def records(self) -> np.ndarray:
        """Return the rows that are not set aside as no record."""
        return np.flatnonzero(self.aside.codes < 0)

    def each(self, name: str) -> pd.Categorical:
        """Return a text of each row's sheet: ``file`` or ``sheet``."""
        texts = [getattr(sheet, name) for sheet in self.sheets]
        return fold_codes(self.number, np.array(texts, dtype=object))

    def alone(self, number: int) -> Stacked:
        """Return the rows of one of the sheets."""
        rows = slice(*np.searchsorted(self.number, [number, number + 1]))
        sheet = self.sheets[number]
        return Stacked((sheet,), self.cells.iloc[rows], self.line[rows], self.aside[rows])

    def where(self, row: int | None = None) -> str:
        """Return file, sheet and line in words; without a row, the first sheet and how many."""
        if row is not None:
            first = int(np.searchsorted(self.number, self.number[row]))
            return self.sheets[self.number[row]].where(row - first)
        further = len(self.sheets) - 1
        return self.sheets[0].where() + (f" and {further} more" if further else "")


def stack_sheets(sheets: Sequence[Sheet]) -> Stacked:
    """Return sheets that have the same headings as one."""
    if len(sheets) == 1:
        (sheet,) = sheets
        return Stacked((sheet,), sheet.cells, sheet.line, sheet.aside)
    cells = {
        name: stack_texts([sheet.cells[name].array for sheet in sheets]) for name in sheets[0].cells
    }
    return Stacked(
        tuple(replace(sheet, cells=pd.DataFrame()) for sheet in sheets),
        pd.DataFrame(cells, copy=False),
        np.concatenate([sheet.line for sheet in sheets]),
        stack_texts([sheet.aside for sheet in sheets]),
    )
