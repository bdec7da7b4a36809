"""A table of a page as a table of a DOCX: header rows that repeat, rows that stay whole."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from docx.document import Document as Body
from docx.oxml import OxmlElement
from docx.oxml.ns import qn
from lxml.html import HtmlElement

from analytics.reports.docx_parts import element

#: Twentieths of a point in a millimetre, the unit of widths here.
_TWIPS = 1440 / 25.4

#: Characters beyond which a column is not widened for a longer text: it takes two lines.
_WIDEST, _NARROWEST = 34, 4


@dataclass(frozen=True)
class _Cell:
    words: str
    is_head: bool
    is_number: bool
    span: str = ""


def write_table(document: Body, source: HtmlElement, *, width: float) -> None:
    """Write a table.

    Parameters
    ----------
    document
        To write in.
    source
        A ``table`` of the page; a cell may stand for several rows, as ``rowspan`` says.
    width
        Millimetres that it may take.
    """
    heads = [_read(row) for row in source.iterfind("thead/tr")]
    rows = heads + _spread([_read(row) for row in source.iterfind("tbody/tr")], source)
    widths = _widths(rows, width)
    table = OxmlElement("w:tbl")
    table.append(_properties(sum(widths)))
    grid = OxmlElement("w:tblGrid")
    for column in widths:
        grid.append(element("w:gridCol", w=str(column)))
    table.append(grid)
    for number, row in enumerate(rows):
        table.append(_row(row, widths, repeats=number < len(heads)))
    document.element.body.insert_element_before(table, "w:sectPr")
    document.add_paragraph().paragraph_format.space_after = 0


def _read(row: HtmlElement) -> list[tuple[_Cell, int]]:
    return [
        (
            _Cell(
                " ".join(cell.text_content().split()),
                cell.tag == "th",
                "number" in (cell.get("class") or ""),
            ),
            int(cell.get("rowspan", 1)),
        )
        for cell in row
    ]


def _spread(
    rows: list[list[tuple[_Cell, int]]], source: HtmlElement
) -> list[list[tuple[_Cell, int]]]:
    """Return rows of equal length: the place of a cell from above is held by one that continues."""
    n_columns = len(source.findall("thead/tr[1]/th"))
    spread, left = [], 0
    for row in rows:
        whole = list(row)
        if left:
            whole.insert(0, (_Cell("", True, False, "continue"), 1))
            left -= 1
        elif row and row[0][1] > 1:
            left = row[0][1] - 1
            whole[0] = (_Cell(row[0][0].words, True, False, "restart"), 1)
        whole += [(_Cell("", False, False), 1)] * (n_columns - len(whole))
        spread.append(whole)
    return spread


def _widths(rows: Sequence[Sequence[tuple[_Cell, int]]], width: float) -> list[int]:
    """Return the width of each column: by its longest text, the words of its head never cut."""
    wanted = []
    for column in zip(*rows, strict=True):
        head, *body = (cell.words for cell, _ in column)
        longest = max((len(text) for text in body), default=0)
        word = max((float(len(part)) for text in body for part in text.split()), default=0.0)
        # Heads are set bold, which takes more room.
        word = max(word, *(1.3 * len(part) for part in head.split() or [""]))
        wanted.append(max(min(longest, _WIDEST), word, len(head) / 3, _NARROWEST) + 2)
    # A character of the table's type is about 1.7 mm wide.
    scale = min(1.0, width / (1.7 * sum(wanted)))
    return [round(1.7 * want * scale * _TWIPS) for want in wanted]


def _properties(width: int) -> Any:
    made = OxmlElement("w:tblPr")
    made.append(element("w:tblW", w=str(width), type="dxa"))
    borders = OxmlElement("w:tblBorders")
    for side in ("top", "bottom", "insideH"):
        borders.append(element(f"w:{side}", val="single", sz="4", space="0", color="C9D0D6"))
    made.append(borders)
    made.append(element("w:tblLayout", type="fixed"))
    margins = OxmlElement("w:tblCellMar")
    for side, room in (("left", "40"), ("right", "80")):
        margins.append(element(f"w:{side}", w=room, type="dxa"))
    made.append(margins)
    # The first row and the first column name what stands in them.
    made.append(element("w:tblLook", val="00A0", firstRow="1", firstColumn="1"))
    return made


def _row(cells: Sequence[tuple[_Cell, int]], widths: Sequence[int], *, repeats: bool) -> Any:
    row, about = OxmlElement("w:tr"), OxmlElement("w:trPr")
    about.append(OxmlElement("w:cantSplit"))
    if repeats:
        about.append(OxmlElement("w:tblHeader"))
    row.append(about)
    for (cell, _), width in zip(cells, widths, strict=True):
        row.append(_cell(cell, width, style="CellHead" if repeats else "Cell"))
    return row


def _cell(cell: _Cell, width: int, *, style: str) -> Any:
    made, about = OxmlElement("w:tc"), OxmlElement("w:tcPr")
    about.append(element("w:tcW", w=str(width), type="dxa"))
    if cell.span:
        about.append(element("w:vMerge", val=cell.span))
    made.append(about)
    line, look = OxmlElement("w:p"), OxmlElement("w:pPr")
    look.append(element("w:pStyle", val=style))
    if cell.is_number:
        look.append(element("w:jc", val="right"))
    line.append(look)
    run, text = OxmlElement("w:r"), OxmlElement("w:t")
    text.text = cell.words
    text.set(qn("xml:space"), "preserve")
    run.append(text)
    line.append(run)
    made.append(line)
    return made
