"""Rows in blocks: an estimator asks each block for what adds up, and never needs all rows at once.

A cluster is whole in one block. What blocks tell is added in their order, so that the numbers do
not depend on which of them was done first; rows in memory are one block.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from functools import reduce
from typing import Any, Protocol

import numpy as np


class Each(Protocol):
    """Call a step with the rows of each block and what it is told; answers in order of blocks."""

    def __call__(self, step: Callable[..., Any], *told: Any) -> Iterator[Any]:
        """Yield what the step returns for each block."""
        ...


def in_one_block(rows: Any) -> Each:
    """Return rows in memory as the one block there is."""
    return in_blocks([rows])


def in_blocks(blocks: Sequence[Any]) -> Each:
    """Return blocks in memory, one after the other."""

    def each(step: Callable[..., Any], *told: Any) -> Iterator[Any]:
        return (step(rows, *told) for rows in blocks)

    return each


def derive(each: Each, change: Callable[..., Any], *given: Any) -> Each:
    """Return blocks as a change of each makes them."""

    def derived(step: Callable[..., Any], *told: Any) -> Iterator[Any]:
        return each(_step_on_changed, (change, given, step), *told)

    return derived


def _step_on_changed(rows: Any, how: tuple[Any, ...], *told: Any) -> Any:
    change, given, step = how
    return step(change(rows, *given), *told)


def add(found: Iterable[tuple[Any, ...]]) -> tuple[Any, ...]:
    """Return the sums, place by place, of what blocks found, in the order of the blocks."""
    return reduce(lambda one, other: tuple(a + b for a, b in zip(one, other, strict=True)), found)


def add_by_key(
    keys: Sequence[np.ndarray], values: Sequence[np.ndarray]
) -> tuple[np.ndarray, np.ndarray]:
    """Return the sorted distinct keys of all blocks, and the sums of their values.

    Parameters
    ----------
    keys
        (k,) of each block, each key once.
    values
        (k, ...) of each block.
    """
    if len(keys) == 1:
        return keys[0], values[0]
    together = np.unique(np.concatenate(keys))
    total = np.zeros((len(together), *values[0].shape[1:]), dtype=values[0].dtype)
    for key, value in zip(keys, values, strict=True):
        total[np.searchsorted(together, key)] += value
    return together, total
