"""A released result as a neutral table, with an HTML and a plain text form."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cached_property
from html import escape
from itertools import groupby

from analytics.definitions.labels import label
from analytics.display import measures, numbers, words
from analytics.display.readings import asked_of
from analytics.display.sheets import ALONG_TIME
from analytics.display.table_rows import ROWS, Cell, Column
from analytics.results import ESTIMATES
from analytics.sharing.protect import Released

__all__ = ["Cell", "Column", "Table", "tabulate"]


#: Of a series along time a page shows the latest: at most so many, and of many series fewer, but
#: never less than a year. Nobody reads 4,000 lines there, and on paper they are 200 sheets; the
#: workbook and the data have all.
MOST_LATEST, MOST_ROWS, FEWEST_LATEST = 40, 300, 4

#: Rows that share one header cell; more are cut into parts that are about as long as each other.
_MOST_TOGETHER = 15


@dataclass(frozen=True)
class Table:
    """A table without a look.

    Parameters
    ----------
    title
        The question.
    caption
        Title with what is counted.
    columns
        Name, words and kind of each column.
    rows
        Cells; a header cell names its row.
    notes
        Lines below the table.
    units
        Words for what one count is; empty where each row names its own.
    language
        Language of the words.
    """

    title: str
    caption: str
    columns: tuple[Column, ...]
    rows: tuple[tuple[Cell, ...], ...]
    notes: tuple[str, ...] = ()
    units: str = ""
    language: str = "en"

    @cached_property
    def n_latest(self) -> int:
        """Return how many rows of each series a page shows, the latest; 0 for all."""
        n_rows = Counter(map(self._series, self.rows))
        if not n_rows or not any(column.name in ALONG_TIME for column in self.columns[:2]):
            return 0
        most = min(MOST_LATEST, max(FEWEST_LATEST, MOST_ROWS // len(n_rows)))
        return most if max(n_rows.values()) > most else 0

    def _series(self, row: tuple[Cell, ...]) -> str:
        """Return what a row is a point in time of: nothing where time itself stands first."""
        return "" if self.columns[0].name in ALONG_TIME else row[0].text

    @property
    def header(self) -> tuple[str, ...]:
        """Return the words of the columns."""
        return tuple(column.words for column in self.columns)

    def to_html(self) -> str:
        """Return a table element with caption and header cells; every text is escaped.

        Below it stands how many rows the workbook has, where these are not all.
        """
        heads = "".join(
            f'<th scope="col"{_as_number(column)}>{escape(column.words)}</th>'
            for column in self.columns
        )
        bodies = "\n".join(self._body_html(run) for run in self._runs())
        return (
            f"<table>\n<caption>{escape(self.caption)}</caption>\n"
            f"<thead><tr>{heads}</tr></thead>\n{bodies}\n</table>{self._more_html()}"
        )

    def _more_html(self) -> str:
        if not self.n_latest:
            return ""
        n_rows = numbers.count(len(self.rows), self.language)
        told = label(self.language, "table.latest", n=self.n_latest, n_rows=n_rows)
        return f'\n<p class="basis">{escape(told)}</p>'

    def _runs(self) -> Iterator[list[tuple[Cell, ...]]]:
        """Yield rows that begin with the same header, which then stands once for all of them.

        It stands again after some rows, so that no reader and no sheet of paper is far from it.
        """
        for _, run in groupby(self._shown(), key=lambda row: (row[0].is_header, row[0].text)):
            rows = list(run)
            n_parts = -(-len(rows) // _MOST_TOGETHER)
            most = -(-len(rows) // n_parts)
            yield from (rows[at : at + most] for at in range(0, len(rows), most))

    def _shown(self) -> Iterator[tuple[Cell, ...]]:
        """Yield the rows that a page shows."""
        for _, series in groupby(self.rows, key=self._series):
            yield from list(series)[-self.n_latest :]

    def _body_html(self, rows: list[tuple[Cell, ...]]) -> str:
        lines = [self._row_html(row) for row in rows]
        first = rows[0][0]
        if first.is_header and len(rows) > 1:
            head = f'<th scope="rowgroup" rowspan="{len(rows)}">{escape(first.text)}</th>'
            lines = [self._row_html(row, skip=1) for row in rows]
            lines[0] = head + lines[0]
        return "<tbody>\n" + "\n".join(f"<tr>{line}</tr>" for line in lines) + "\n</tbody>"

    def _row_html(self, row: tuple[Cell, ...], *, skip: int = 0) -> str:
        pairs = list(zip(row, self.columns, strict=True))[skip:]
        return "".join(
            f'<th scope="row">{escape(cell.text)}</th>'
            if cell.is_header
            else f"<td{_as_number(column)}>{escape(cell.text)}</td>"
            for cell, column in pairs
        )

    def to_text(self) -> str:
        """Return the table as lines of plain text, numbers to the right."""
        lines = [self.header, *(tuple(cell.text for cell in row) for row in self.rows)]
        widths = [max(len(line[i]) for line in lines) for i in range(len(self.columns))]
        return "\n".join([self.caption, *(self._line(line, widths) for line in lines)])

    def _line(self, texts: tuple[str, ...], widths: list[int]) -> str:
        placed = (
            text.rjust(width) if column.is_number else text.ljust(width)
            for text, width, column in zip(texts, widths, self.columns, strict=True)
        )
        return "  ".join(placed).rstrip()

    def to_data(self) -> dict[str, object]:
        """Return the table as plain data: numbers as numbers, a withheld one as null."""
        return {
            "title": self.title,
            "caption": self.caption,
            "columns": [
                {"name": c.name, "words": c.words, "is_number": c.is_number} for c in self.columns
            ],
            "rows": [
                [
                    {
                        "value": c.value,
                        "text": c.text,
                        "withheld": c.withheld,
                        "is_header": c.is_header,
                    }
                    for c in row
                ]
                for row in self.rows
            ],
            "notes": list(self.notes),
            "units": self.units,
        }


def _as_number(column: Column) -> str:
    return ' class="number"' if column.is_number else ""


def tabulate(released: Released, language: str = "en") -> Table:
    """Return the table of a released result.

    Parameters
    ----------
    released
        Any shape.
    language
        Language of the words.

    Raises
    ------
    TypeError
        When a result has not passed a policy.
    """
    require_released(released)
    columns, rows = ROWS[released.shape.name](released, language)
    title = words.title(released, language)
    caption, units = title, ""
    if not any(column.name == "counted_unit" for column in columns):
        units = label(language, f"unit.{_unit_of(released)}.other")
        caption = label(language, "word.caption", title=title, units=units)
    return Table(title, caption, columns, rows, words.notes(released, language), units, language)


def _unit_of(released: Released) -> str:
    """Return what every row counts: of estimates what their measures say, else the context's."""
    default = released.context.unit
    own = released.context.own_measures
    if asked := asked_of(released):
        return measures.unit_of(asked, default, own)
    if released.shape.name != ESTIMATES.name or released.frame.empty:
        return default
    return measures.unit_of(str(released.frame["measure"].iloc[0]), default, own)


def require_released(released: object) -> None:
    """Raise TypeError unless the object has passed a policy."""
    if not isinstance(released, Released):
        raise TypeError(
            f"a {type(released).__name__} has passed no disclosure policy: "
            "show what analytics.sharing.protect.protect(result, policy) returns"
        )
