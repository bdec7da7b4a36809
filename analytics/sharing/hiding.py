"""Which further counts must be withheld so that the small ones cannot be worked out."""

from __future__ import annotations

import numpy as np
from scipy.optimize import Bounds, LinearConstraint, milp

from analytics.sharing.cells import Cells

#: A hidden count must leave the reader at least this many possible values (fewer only where
#: nothing more can be hidden).
FEWEST_VALUES = 3


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
    values, known = np.array(cells.values, dtype=int), np.array(cells.known, dtype=bool)
    printed = np.array(cells.printed, dtype=bool)
    is_small = (values > 0) & (values < smallest) & np.array(cells.guarded, dtype=bool)
    hidden = is_small & printed
    unknown = hidden | (~printed & ~known)
    touching = _sums_by_cell(cells)
    order = np.flatnonzero(is_small)
    for cell in order:
        while _is_exposed(cells, touching, int(cell), unknown, hidden):
            chosen = _choose(cells, touching, int(cell), unknown)
            if chosen is None:
                break
            hidden[chosen] = unknown[chosen] = True
    return hidden


def _sums_by_cell(cells: Cells) -> list[list[int]]:
    touching: list[list[int]] = [[] for _ in cells.values]
    for number, terms in enumerate(cells.sums):
        for cell, _ in terms:
            touching[cell].append(number)
    return touching


def _neighbourhood(
    cells: Cells, touching: list[list[int]], start: int, unknown: np.ndarray
) -> tuple[list[int], list[int]]:
    """Return the unknown cells tied to one through sums, nearest first, and those sums."""
    found, sums, waiting = [start], [], [start]
    seen_cells, seen_sums = {start}, set()
    while waiting:
        for number in touching[waiting.pop(0)]:
            if number in seen_sums:
                continue
            seen_sums.add(number)
            sums.append(number)
            for cell, _ in cells.sums[number]:
                if unknown[cell] and cell not in seen_cells:
                    seen_cells.add(cell)
                    found.append(cell)
                    waiting.append(cell)
    return found, sums


def _is_exposed(
    cells: Cells, touching: list[list[int]], cell: int, unknown: np.ndarray, hidden: np.ndarray
) -> bool:
    if not unknown[cell]:
        return False
    group, sums = _neighbourhood(cells, touching, cell, unknown)
    if not sums:
        return False
    low, high = possible_range(cells, group, sums, hidden)
    return high - low + 1 < FEWEST_VALUES


def possible_range(
    cells: Cells, group: list[int], sums: list[int], hidden: np.ndarray
) -> tuple[float, float]:
    """Return the least and the largest whole value that the first cell of a group may have."""
    place = {cell: i for i, cell in enumerate(group)}
    matrix, right = np.zeros((len(sums), len(group))), np.zeros(len(sums))
    for row, number in enumerate(sums):
        for cell, sign in cells.sums[number]:
            if cell in place:
                matrix[row, place[cell]] += sign
            else:
                right[row] -= sign * cells.values[cell]
    withheld = [c for c in group if hidden[c]]
    least = 1.0 if all(cells.values[c] for c in withheld) else 0.0
    lower = np.array([least if hidden[c] else 0.0 for c in group])
    aim = np.zeros(len(group))
    aim[0] = 1.0
    ends = [_solve(sign * aim, matrix, right, lower) for sign in (1.0, -1.0)]
    return ends[0], -ends[1]


def _solve(aim: np.ndarray, matrix: np.ndarray, right: np.ndarray, lower: np.ndarray) -> float:
    found = milp(
        aim,
        integrality=np.ones(len(aim)),
        bounds=Bounds(lower, np.inf),
        constraints=LinearConstraint(matrix, right, right),
    )
    # No bound at all (status 3) leaves every value possible.
    return float(np.rint(found.fun)) if found.status == 0 else -np.inf


def _choose(cells: Cells, touching: list[list[int]], cell: int, unknown: np.ndarray) -> int | None:
    """Return the shown cell whose withholding costs least, next to the exposed one."""
    _, sums = _neighbourhood(cells, touching, cell, unknown)
    near = set(touching[cell])
    ranked = []
    for number in sums:
        terms = [c for c, _ in cells.sums[number]]
        # A sum with one unknown cell gives that one away at once, so it comes first.
        leaks = sum(bool(unknown[c]) for c in terms) == 1
        rank = (not leaks, number not in near)
        ranked += [
            (*rank, cells.costs[c], not cells.values[c], cells.values[c], c)
            for c in terms
            if cells.printed[c] and not unknown[c]
        ]
    return min(ranked)[-1] if ranked else None
