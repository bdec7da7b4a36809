"""A list for one clinic that is no result: facts, records to fix, questions."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from html import escape

from analytics.display.block import BLOCK_TYPE
from analytics.display.tables import Cell, Column, Table


@dataclass(frozen=True)
class Listing:
    """A table of texts with a sentence, for one audience.

    Parameters
    ----------
    name
        Name of the list.
    audience
        Who may read it.
    table
        The table; without rows only the sentence is shown.
    sentence
        What the list says as a whole.
    """

    name: str
    audience: str
    table: Table
    sentence: str = ""

    def to_html(self) -> str:
        """Return a section; every text is escaped."""
        said = f"<p>{escape(self.sentence)}</p>\n" if self.sentence else ""
        if not self.table.rows:
            return f'<section class="block" data-shape="list">\n{said}</section>'
        return (
            f'<section class="block" data-shape="list">\n{said}'
            f'<div class="table-box" role="region" tabindex="0" '
            f'aria-label="{escape(self.table.caption, quote=True)}">\n'
            f"{self.table.to_html()}\n</div>\n</section>"
        )

    def _repr_mimebundle_(
        self, include: object = None, exclude: object = None
    ) -> dict[str, object]:
        text = "\n".join(filter(None, (self.sentence, self.table.to_text())))
        return {
            "text/plain": text,
            "text/html": self.to_html(),
            BLOCK_TYPE: {"name": self.name, "shape": "list", "audience": self.audience},
        }


def as_table(
    caption: str, heads: Sequence[tuple[str, str]], rows: Sequence[Sequence[str | int]]
) -> Table:
    """Return a table of texts and counts whose first column names the rows.

    Parameters
    ----------
    caption
        What it holds.
    heads
        Name and words of each column.
    rows
        Texts, and whole numbers for counts.
    """
    counts = {i for row in rows for i, value in enumerate(row) if isinstance(value, int)}
    columns = tuple(Column(name, words, i in counts) for i, (name, words) in enumerate(heads))
    cells = tuple(
        tuple(Cell(value, str(value), is_header=i == 0) for i, value in enumerate(row))
        for row in rows
    )
    return Table(caption, caption, columns, cells)
