"""A fault put into an export on purpose, and how a place for it is found."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from datetime import date, timedelta

Row = dict[str, str]


@dataclass(frozen=True)
class Fault:
    """One planted fault.

    Parameters
    ----------
    id
        Stable name.
    rule
        Rule or reason that should find it.
    fate
        What should become of the record: kept (with a flag), merged or quarantined.
    what
        What is wrong, in words.
    row
        The row that holds it, as it stands in the export.
    piece
        Record within a wide row: group, number and side.
    """

    id: str
    rule: str
    fate: str
    what: str
    row: Row
    piece: str = ""


def shift(day: str, days: int) -> str:
    """Return an ISO date some days later."""
    return (date.fromisoformat(day) + timedelta(days=days)).isoformat()


def days_between(first: str, second: str) -> int:
    """Return days from one ISO date to another."""
    return (date.fromisoformat(second) - date.fromisoformat(first)).days


class Register:
    """The rows of an export by child; each child is used for one fault at most.

    Parameters
    ----------
    rows
        Rows in the order of the file; faults change and add rows in place.
    key
        Texts of a row that name its child.
    """

    def __init__(self, rows: list[Row], key: Callable[[Row], object]) -> None:
        self.rows = rows
        self.children: dict[object, list[Row]] = {}
        for row in rows:
            self.children.setdefault(key(row), []).append(row)
        self.free = list(self.children)
        self.turn = 0

    def candidates(self) -> Iterator[tuple[object, list[Row]]]:
        """Yield unused children, each time from another part of the file on."""
        self.turn += 1
        start = (self.turn * 37) % len(self.free)
        for child in self.free[start:] + self.free[:start]:
            yield child, self.children[child]

    def find(self, wanted: Callable[[list[Row]], Row | None]) -> Row:
        """Return the row that ``wanted`` names in the first child where it names one."""
        for child, rows in self.candidates():
            row = wanted(rows)
            if row is not None:
                self.free.remove(child)
                return row
        raise LookupError("no child fits the fault; the scenario is too small")

    def insert_after(self, row: Row, new: Row) -> Row:
        """Return the new row after putting it behind another one."""
        place = next(i for i, other in enumerate(self.rows) if other is row)
        self.rows.insert(place + 1, new)
        return new
