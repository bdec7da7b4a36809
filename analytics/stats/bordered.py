"""A symmetric matrix of a few columns that are wanted and many that are only adjusted for.

The levels of a factor hardly touch each other: of these only what is not nought is held, and they
are taken out by their Schur complement, so that thousands of levels cost little more than tens.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import sparse
from scipy.sparse.linalg import splu

from analytics.stats.proportions import Floats

Ints = NDArray[np.int64]


@dataclass(frozen=True)
class Bordered:
    """A symmetric matrix, p by p.

    Parameters
    ----------
    lead
        (q, q) of the wanted columns, which come first.
    side
        (r, q) of the others with these; r is 0 where all columns are wanted.
    rest
        (r, r) of the others.
    """

    lead: Floats
    side: Floats
    rest: sparse.csc_array

    def __len__(self) -> int:
        """Return p."""
        return len(self.lead) + len(self.side)

    @property
    def diagonal(self) -> Floats:
        """Return (p,) the diagonal."""
        return np.append(np.diag(self.lead), self.rest.diagonal())

    def reduced(self) -> Floats:
        """Return (q, q) the Schur complement, the inverse of the lead of the inverse.

        Raises
        ------
        LinAlgError
            When the other columns alone are singular.
        """
        return self.lead - self.side.T @ self._from_rest(self.side)

    def solve(self, right: Floats) -> Floats:
        """Return (p,) what the matrix times which is the right side.

        Raises
        ------
        LinAlgError
            When the matrix is singular.
        """
        q = len(self.lead)
        pulled = self._from_rest(right[q:])
        first = np.linalg.solve(self.reduced(), right[:q] - self.side.T @ pulled)
        return np.append(first, pulled - self._from_rest(self.side) @ first)

    def inverse_lead(self) -> Floats:
        """Return (q, p) the rows of the inverse that belong to the wanted columns."""
        lead = np.linalg.inv(self.reduced())
        return np.hstack([lead, -lead @ self._from_rest(self.side).T])

    def dense(self) -> Floats:
        """Return (p, p) the whole, for networks with few clusters."""
        return np.block([[self.lead, self.side.T], [self.side, self.rest.toarray()]])

    def _from_rest(self, right: Floats) -> Floats:
        if not len(self.side):
            return right
        try:
            found: Floats = splu(self.rest).solve(right)
        except RuntimeError as error:  # exactly singular
            raise np.linalg.LinAlgError(str(error)) from None
        return found


class Adder:
    """Adds up matrices that have some of the columns, or all."""

    def __init__(self, n_columns: int, n_absorbed: int) -> None:
        """Begin with noughts; the last columns are those that are only adjusted for."""
        q = n_columns - n_absorbed
        self._lead, self._side = np.zeros((q, q)), np.zeros((n_absorbed, q))
        self._rest: list[tuple[Ints, Ints, Floats]] = []

    def add(self, part: Floats, columns: Ints | None) -> None:
        """Add a matrix of some columns, in increasing order; of all when not given."""
        q = len(self._lead)
        at = np.arange(q + len(self._side)) if columns is None else columns
        n = int(np.searchsorted(at, q))
        first, others = at[:n], at[n:] - q
        self._lead[np.ix_(first, first)] += part[:n, :n]
        if len(others):
            self._side[np.ix_(others, first)] += part[n:, :n]
            row, column = np.nonzero(part[n:, n:])
            self._rest.append((others[row], others[column], part[n:, n:][row, column]))

    def total(self) -> Bordered:
        """Return the sum."""
        r = len(self._side)
        rows, columns, values = (
            np.concatenate([np.empty(0, dtype=kind), *(part[at] for part in self._rest)])
            for at, kind in enumerate((np.int64, np.int64, np.float64))
        )
        rest = sparse.csc_array((values, (rows, columns)), shape=(r, r))
        return Bordered(self._lead, self._side, rest)


def less(whole: Bordered, parts: Sequence[Bordered], weights: Floats, *, over: float) -> Bordered:
    """Return a matrix less others by their weights, divided by a number."""
    lead, side, rest = whole.lead.copy(), whole.side.copy(), whole.rest
    for part, weight in zip(parts, weights.tolist(), strict=True):
        lead -= weight * part.lead
        side -= weight * part.side
        rest = rest - weight * part.rest
    return Bordered(lead / over, side / over, sparse.csc_array(rest / over))
