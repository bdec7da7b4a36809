"""Cells and sums under construction: what stands in a table, and what a reader may know."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

#: How much is lost when a cell is hidden beside a small one; the cheapest is hidden first.
_COSTS = {"n": 3, "denominator": 4, "n_in": 3, "n_out": 3}
_DETAIL, _ZERO, _FIGURE = 0, 1, 2

#: Cells that cost this much are hidden only where a small count would be known for certain.
DEAR = 3


@dataclass
class Cells:
    """Cells and sums under construction.

    A cell that stands in the table may be hidden. One that does not is either known only through
    the sums (``no`` = denominator - numerator), or known to the reader from elsewhere: totals over
    groups count as known, since another table of a report may show them. A guarded cell may not
    be worked out when it is small; a small total is guarded in the table where it stands.

    A late cell is settled after the others and never at their cost: the same counts stand in tables
    that have no late cells, and must be withheld alike in all of them.
    """

    values: list[int] = field(default_factory=list)
    printed: list[bool] = field(default_factory=list)
    known: list[bool] = field(default_factory=list)
    guarded: list[bool] = field(default_factory=list)
    costs: list[int] = field(default_factory=list)
    late: list[bool] = field(default_factory=list)
    sums: list[tuple[tuple[int, int], ...]] = field(default_factory=list)
    places: dict[tuple[int, str], int] = field(default_factory=dict)

    def add(self, value: int, *, column: str = "") -> int:
        """Add a cell to guard; one with a column stands in the table."""
        return self._add(value, column=column, known=False, guarded=True)

    def add_loose(self, value: int) -> int:
        """Add a cell that is not printed and need not be guarded, but is not negative either."""
        return self._add(value, column="", known=False, guarded=False)

    def add_total(self, value: int, smallest: int) -> int:
        """Add a total that the reader knows from elsewhere, unless it is small there too."""
        return self._add(value, column="", known=not 0 < value < smallest, guarded=False)

    def _add(self, value: int, *, column: str, known: bool, guarded: bool) -> int:
        self.values.append(value)
        self.late.append(False)
        self.guarded.append(guarded)
        self.printed.append(bool(column))
        self.known.append(known)
        self.costs.append(_cost(column, value))
        return len(self.values) - 1

    def add_known(self, value: int) -> int:
        """Add a number that is printed elsewhere on the same page."""
        return self._add(value, column="", known=True, guarded=False)

    def add_sum(self, whole: int, parts: Sequence[int]) -> None:
        """Add whole = sum of parts, where it holds."""
        if self.values[whole] == sum(self.values[p] for p in parts):
            self.sums.append(((whole, -1), *((p, 1) for p in parts)))

    def at(self, row: int, column: str) -> int | None:
        """Return the cell of a place in the table; None where nothing stands there."""
        return self.places.get((row, column))

    def at_all(self, row: int, columns: Sequence[str]) -> list[int]:
        """Return the cells of several places of a row, without the empty ones."""
        return [c for c in (self.at(row, column) for column in columns) if c is not None]


def _cost(column: str, value: int) -> int:
    if column in _COSTS:
        return _COSTS[column]
    if column in ("numerator", "events"):
        return _FIGURE
    return _DETAIL if value else _ZERO
