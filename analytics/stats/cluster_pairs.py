"""Clusters of one or two rows: products of their states by tables, without following each."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from analytics.stats.at_risk import RiskCounts
from analytics.stats.spells import Spells


@dataclass(frozen=True, slots=True, eq=False)
class Pairs:
    """Rows in clusters of one or two, all from the origin and without weights.

    Parameters
    ----------
    n_ended
        (T, kinds) rows that end at each time, by event code.
    first
        (T, kinds) of these, the first to end of two.
    earlier, later
        (p,) time and event code of the two rows of each pair, as ``time * kinds + code``,
        sorted, so that the order of the rows cannot show in any sum.
    """

    n_ended: np.ndarray
    first: np.ndarray
    earlier: np.ndarray
    later: np.ndarray


def find_pairs(spells: Spells, counts: RiskCounts) -> tuple[Pairs, np.ndarray]:
    """Return what is to be known of small clusters, and the rows of the larger ones.

    Parameters
    ----------
    spells, counts
        Rows that all enter at the origin, without weights, and counts in which they are placed.
    """
    shape = counts.n_ended.shape
    kind = counts.position * shape[1] + spells.event
    none = np.empty(0, dtype=np.int64)
    n_ended = np.bincount(kind, minlength=shape[0] * shape[1]).reshape(shape)
    if spells.cluster is None:
        return Pairs(n_ended, np.zeros(shape, dtype=np.int64), none, none), none
    size = np.bincount(spells.cluster)
    # The last row written to a cluster stays: its last row, and, written backwards, its first.
    ends = []
    for backwards in (slice(None, None, -1), slice(None)):
        held = np.empty(len(size), dtype=np.int64)
        held[spells.cluster[backwards]] = kind[backwards]
        ends.append(held[size == 2])
    earlier, later = np.minimum(*ends), np.maximum(*ends)
    order = _in_order(earlier, later)
    first = np.bincount(earlier, minlength=shape[0] * shape[1]).reshape(shape)
    larger = none
    if size.max() > 2:
        larger = np.flatnonzero(size[spells.cluster] > 2)
        gone = np.bincount(kind[larger], minlength=shape[0] * shape[1])
        n_ended = n_ended - gone.reshape(shape)
    return Pairs(n_ended, first, earlier[order], later[order]), larger


def _in_order(earlier: np.ndarray, later: np.ndarray) -> np.ndarray:
    """Return what sorts pairs by their later row, then their earlier one."""
    most = np.iinfo(np.uint16).max
    if not len(later) or later.max() > most:
        return np.lexsort((earlier, later))
    # Numbers of two bytes are sorted in passes over their digits.
    order = np.argsort(earlier.astype(np.uint16), kind="stable")
    return order[np.argsort(later[order].astype(np.uint16), kind="stable")]


def small_products(pairs: Pairs, at_entry: np.ndarray, at_end: np.ndarray) -> np.ndarray:
    """Sum over clusters of one or two rows the products of their states at every time.

    A sum of squares is that of the rows and twice that of the pairs. A row's state is the same
    for all until it ends, and from then on that of its time and event code: rows enter by their
    counts, and so does the first to end of a pair; only its second needs the pair itself.

    Parameters
    ----------
    pairs
        The rows.
    at_entry
        (q,) state before a row ends.
    at_end
        (T, kinds, q) step when it ends.

    Returns
    -------
    numpy.ndarray
        (T, q, q).
    """
    start = np.outer(at_entry, at_entry)
    ended = at_end + at_entry
    kinds = at_end.shape[1]
    squares = ended[..., :, None] * ended[..., None, :] - start
    moved = np.einsum("tk,tkab->tab", pairs.n_ended, squares)
    begun = (pairs.n_ended.sum() + 2 * len(pairs.later)) * start
    if len(pairs.later):
        half = np.einsum("tk,tka,b->tab", pairs.first, at_end, at_entry)
        # What the first of a pair had come to, summed by the time and code of its second.
        states = ended.reshape(-1, len(at_entry)).T
        met = np.zeros((len(states), states.shape[1]))
        for state, total in zip(states, met, strict=True):
            if state.any():
                total += np.bincount(
                    pairs.later, weights=state[pairs.earlier], minlength=len(total)
                )
        half += np.einsum("atk,tkb->tab", met.reshape(len(states), -1, kinds), at_end)
        moved += half + np.swapaxes(half, -1, -2)
    return begun + np.cumsum(moved, axis=0)
