"""A table of words that no policy need withhold: statements, checklists, sources."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from html import escape
from typing import Any

from analytics.display.block import BLOCK_TYPE
from analytics.display.table_rows import Cell, Column
from analytics.display.tables import Table


@dataclass(frozen=True)
class Listing:
    """Lines of words under headings, as a notebook shows them.

    Holds no count of people: what does is a result, and passes a policy.

    Parameters
    ----------
    name
        Stable name.
    title
        What the lines are.
    heads
        Name and words of each column.
    lines
        Texts; the first of a line names it.
    audience, language
        Who reads it.
    notes
        Sentences below the table.
    """

    name: str
    title: str
    heads: tuple[tuple[str, str], ...]
    lines: tuple[tuple[str, ...], ...]
    audience: str
    language: str
    notes: tuple[str, ...] = ()

    @property
    def table(self) -> Table:
        """Return the lines as a neutral table."""
        columns = tuple(Column(name, words) for name, words in self.heads)
        return Table(self.title, self.title, columns, _cells(self.lines), self.notes)

    def to_text(self) -> str:
        """Return the lines as plain text."""
        return "\n".join([self.table.to_text(), *self.notes])

    def to_html(self) -> str:
        """Return a section with the table and its notes; every text is escaped."""
        notes = "".join(f"<li>{escape(note)}</li>" for note in self.notes)
        return (
            '<section class="block" data-shape="listing">\n'
            f'<div class="table-box" role="region" tabindex="0" '
            f'aria-label="{escape(self.title, quote=True)}">\n{self.table.to_html()}\n</div>\n'
            + (f'<ul class="notes">{notes}</ul>\n' if notes else "")
            + "</section>"
        )

    def to_data(self) -> dict[str, Any]:
        """Return everything as plain data, in the form of the data of a block."""
        names = [name for name, _ in self.heads]
        return {
            "name": self.name,
            "shape": "listing",
            "audience": self.audience,
            "language": self.language,
            "title": self.title,
            "sentences": [],
            "notes": list(self.notes),
            "table": self.table.to_data(),
            "groups": [],
            "frame": [dict(zip(names, line, strict=True)) for line in self.lines],
            "hidden": [dict.fromkeys(names, False) for _ in self.lines],
            "context": {"population": "", "method": "", "reference": "", "seed": None},
        }

    def _repr_mimebundle_(
        self, include: object = None, exclude: object = None
    ) -> dict[str, object]:
        return {
            "text/plain": self.to_text(),
            "text/html": self.to_html(),
            BLOCK_TYPE: self.to_data(),
        }


def _cells(lines: Sequence[Sequence[str]]) -> tuple[tuple[Cell, ...], ...]:
    return tuple(
        tuple(Cell(text, text, is_header=place == 0) for place, text in enumerate(line))
        for line in lines
    )
