"""Which further counts must be withheld so that the small ones cannot be worked out."""

from __future__ import annotations

from collections import deque
from dataclasses import replace

import numpy as np
from scipy.optimize import Bounds, LinearConstraint, milp
from scipy.sparse import csr_matrix

from analytics.sharing.table import DEAR, Cells

#: A hidden count must leave the reader at least this many possible values (fewer only where
#: nothing more can be hidden).
FEWEST_VALUES = 3

#: Cells that are tried one by one where no sum gives a count away by itself.
_MOST_TRIED = 24

#: Answers of the solver for an aim without bound (the true counts are always feasible).
_NO_BOUND = (3, 4)


def find_hidden(cells: Cells, smallest: int) -> np.ndarray:
    """Return which cells are withheld: the small ones, and others so that sums tell nothing.

    The reader is taken to know every shown cell, every total and every sum, that counts are whole
    and not negative, and that a count is withheld for being small or for standing beside one. Where
    no zero is withheld near it, a withheld count is at least 1 to such a reader.

    Parameters
    ----------
    cells
        The table and its sums.
    smallest
        Counts from 1 to one below this are small.

    Returns
    -------
    ndarray of bool, one per cell
        Only cells that stand in the table are ever withheld.

    Notes
    -----
    Secondary suppression as in Hundepool et al. 2012, Statistical Disclosure Control, chapter 4,
    by a greedy choice: hiding more can only widen what is possible, so one pass is enough.
    """
    late = np.array(cells.late, dtype=bool)
    printed = np.array(cells.printed, dtype=bool)
    first = [terms for terms in cells.sums if not any(late[cell] for cell, _ in terms)]
    hidden = _settle(replace(cells, sums=first), smallest, ~late, np.zeros(len(late), dtype=bool))
    if not late.any():
        return hidden
    return _settle(cells, smallest, late & printed, hidden)


def _settle(cells: Cells, smallest: int, may_hide: np.ndarray, hidden: np.ndarray) -> np.ndarray:
    """Return what is withheld once these cells may be, on top of what already is."""
    values, known = np.array(cells.values, dtype=int), np.array(cells.known, dtype=bool)
    printed = np.array(cells.printed, dtype=bool)
    is_small = (values > 0) & (values < smallest) & np.array(cells.guarded, dtype=bool)
    search = _Search(cells, hidden | (is_small & printed & may_hide), known, may_hide & printed)
    # What is not printed leaves least choice, so it goes first.
    for cell in [*np.flatnonzero(is_small & ~printed), *np.flatnonzero(is_small & printed)]:
        while search.is_exposed(int(cell)):
            chosen = search.choose(int(cell))
            if chosen is None:
                break
            search.hidden[chosen] = search.unknown[chosen] = True
    return search.hidden


class _Search:
    """What is withheld so far, and how far each cell is known to be able to move.

    Whatever values were once possible stay possible when more is withheld, so a range that was
    seen to be wide need not be looked at again.
    """

    def __init__(
        self, cells: Cells, hidden: np.ndarray, known: np.ndarray, may_hide: np.ndarray
    ) -> None:
        self.cells, self.hidden, self.may_hide = cells, hidden, may_hide
        self.unknown = hidden | (~np.array(cells.printed, dtype=bool) & ~known)
        self.low = np.array(cells.values, dtype=float)
        self.high = self.low.copy()
        self.touching = _sums_by_cell(cells)

    def is_exposed(self, cell: int) -> bool:
        """Return whether sums leave too few possible values for an unknown cell."""
        if not self.unknown[cell] or self._is_wide(cell):
            return False
        self._look(cell)
        return not self._is_wide(cell)

    def _look(self, cell: int) -> None:
        """Find how far a cell can move, and note where the cells around it went meanwhile."""
        group, sums = self.neighbourhood(cell)
        if not sums:
            self.high[cell] = np.inf
            return
        matrix, right = _equations(self.cells, group, sums)
        withheld = [c for c in group if self.hidden[c]]
        # Zeros are withheld only at need: where none is, each withheld count is at least 1.
        least = 1.0 if all(self.cells.values[c] for c in withheld) else 0.0
        lower = np.array([least if self.hidden[c] else 0.0 for c in group])
        for sign in (1.0, -1.0):
            self._widen(group, _extreme(sign, matrix, right, lower))

    def _is_wide(self, cell: int) -> bool:
        return bool(self.high[cell] - self.low[cell] + 1 >= FEWEST_VALUES)

    def _widen(self, group: list[int], values: np.ndarray | None) -> None:
        if values is None:
            self.high[group[0]] = np.inf
            return
        self.low[group] = np.minimum(self.low[group], values)
        self.high[group] = np.maximum(self.high[group], values)

    def neighbourhood(self, start: int) -> tuple[list[int], list[int]]:
        """Return the unknown cells tied to one through sums, nearest first, and those sums."""
        found, sums, waiting = [start], [], deque([start])
        seen_cells, seen_sums = {start}, set()
        while waiting:
            for number in self.touching[waiting.popleft()]:
                if number in seen_sums:
                    continue
                seen_sums.add(number)
                sums.append(number)
                for cell, _ in self.cells.sums[number]:
                    if self.unknown[cell] and cell not in seen_cells:
                        seen_cells.add(cell)
                        found.append(cell)
                        waiting.append(cell)
        return found, sums

    def choose(self, cell: int) -> int | None:
        """Return the shown cell whose withholding costs least and lets the exposed one move.

        A dear cell is offered only for a count that would otherwise be known for certain.
        """
        ranked = self._rank(cell)
        if not ranked:
            return None
        leaks, *_, first = ranked[0]
        if leaks == 0:
            return first
        freeing = (c for *_, c in ranked[:_MOST_TRIED] if self._frees(cell, c))
        is_certain = bool(self.high[cell] == self.low[cell])
        return next(freeing, first if is_certain else None)

    def _rank(self, cell: int) -> list[tuple[int, ...]]:
        """Return what may be withheld near a cell, the best first; a cell ends each line."""
        _, sums = self.neighbourhood(cell)
        near, cells = set(self.touching[cell]), self.cells
        dearest = DEAR if self.high[cell] > self.low[cell] else np.inf
        ranked: set[tuple[int, ...]] = set()
        for number in sums:
            terms = [c for c, _ in cells.sums[number]]
            # A sum with one unknown cell gives that one away at once, so it comes first.
            is_tight = sum(bool(self.unknown[c]) for c in terms) == 1
            for c in terms:
                if self.may_hide[c] and not self.unknown[c] and cells.costs[c] < dearest:
                    value = cells.values[c]
                    rank = (int(not is_tight), int(number not in near), cells.costs[c])
                    ranked.add((*rank, int(not value), value, c))
        return sorted(ranked)

    def _frees(self, cell: int, other: int) -> bool:
        """Return whether a cell could move farther if another were withheld as well."""
        before = self.high[cell] - self.low[cell]
        low, high = self.low.copy(), self.high.copy()
        self.hidden[other] = self.unknown[other] = True
        self._look(cell)
        is_freed = bool(self.high[cell] - self.low[cell] > before)
        self.hidden[other] = self.unknown[other] = False
        self.low, self.high = low, high
        return is_freed


def _sums_by_cell(cells: Cells) -> list[list[int]]:
    touching: list[list[int]] = [[] for _ in cells.values]
    for number, terms in enumerate(cells.sums):
        for cell, _ in terms:
            touching[cell].append(number)
    return touching


def _equations(cells: Cells, group: list[int], sums: list[int]) -> tuple[csr_matrix, np.ndarray]:
    """Return the sums as equations of the unknown cells, the known ones moved to the right."""
    place = {cell: i for i, cell in enumerate(group)}
    rows, columns, signs = [], [], []
    right = np.zeros(len(sums))
    for row, number in enumerate(sums):
        for cell, sign in cells.sums[number]:
            if cell in place:
                rows.append(row)
                columns.append(place[cell])
                signs.append(float(sign))
            else:
                right[row] -= sign * cells.values[cell]
    return csr_matrix((signs, (rows, columns)), shape=(len(sums), len(group))), right


def _extreme(
    sign: float, matrix: csr_matrix, right: np.ndarray, lower: np.ndarray
) -> np.ndarray | None:
    """Return whole values that make the first cell least (sign 1) or largest; None: no bound."""
    aim = np.zeros(matrix.shape[1])
    aim[0] = sign
    found = milp(
        aim,
        integrality=np.ones(len(aim)),
        bounds=Bounds(lower, np.inf),
        constraints=LinearConstraint(matrix, right, right),
    )
    if found.status == 0:
        return np.rint(found.x)
    if found.status in _NO_BOUND:
        return None
    raise RuntimeError(f"the range of a withheld count was not found: {found.message}")
