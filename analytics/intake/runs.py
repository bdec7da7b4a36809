"""Whole numbers of many rows: where equal ones begin, numbered anew, added up and sorted."""

from __future__ import annotations

from collections.abc import Sequence
from functools import reduce

import numpy as np


def add_up(columns: Sequence[np.ndarray]) -> np.ndarray:
    """Return the sums of the rows of several columns, the first two added first."""
    return reduce(np.add, columns)


def changes(*numbers: np.ndarray) -> np.ndarray:
    """Return whether a row is the first, or has any other number than that before it."""
    changed = np.zeros(len(numbers[0]), dtype=bool)
    changed[:1] = True
    for number in numbers:
        changed[1:] |= number[1:] != number[:-1]
    return changed


def begins(*numbers: np.ndarray) -> np.ndarray:
    """Return the rows at which another number begins, of numbers that stand together."""
    return np.flatnonzero(changes(*numbers))


def find_spans(opens: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return for each row the first row of its span, and the first row after it.

    Parameters
    ----------
    opens
        Whether a span begins at a row, as it does at the first.
    """
    begin = np.flatnonzero(opens)
    length = np.diff(np.append(begin, len(opens)))
    return np.repeat(begin, length), np.repeat(begin + length, length)


def renumber(number: np.ndarray) -> np.ndarray:
    """Return ascending numbers as 0, 1, 2, ... without gaps."""
    return np.cumsum(changes(number)) - 1


def count_within(chosen: np.ndarray, group: np.ndarray) -> np.ndarray:
    """Return how many rows of a group, whose rows stand together, are chosen up to each of them."""
    running = np.cumsum(chosen)
    begin = begins(group)
    before = running[begin] - chosen[begin]
    return running - np.repeat(before, np.diff(np.append(begin, len(group))))


def first_chosen(group: np.ndarray, chosen: np.ndarray) -> np.ndarray:
    """Return for each row the first chosen one of its group, or -1."""
    first = np.full(int(group.max(initial=-1)) + 1, -1)
    rows = np.flatnonzero(chosen)[::-1]
    first[group[rows]] = rows  # the earliest is written last
    return first[group]


def first_known(first: np.ndarray, second: np.ndarray | None) -> np.ndarray:
    """Return the first numbers, the second ones, if there are any, where those are missing."""
    return first if second is None else np.where(np.isnan(first), second, first)


def sort_numbers(keys: Sequence[np.ndarray]) -> np.ndarray:
    """Return the order of rows by whole numbers, the last key first, as ``np.lexsort``.

    Numbers are sorted 16 bits at a time, which takes a time in proportion to the rows.
    """
    order: np.ndarray | None = None
    for key in keys:
        held = key if order is None else key[order]
        if np.all(held[1:] >= held[:-1]):
            continue
        rest = held - held.min()
        while True:
            step = np.argsort((rest & 0xFFFF).astype(np.uint16), kind="stable")
            order = step if order is None else order[step]
            if not (rest >> 16).any():
                break
            rest = rest[step] >> 16
    return np.arange(len(keys[0])) if order is None else order
