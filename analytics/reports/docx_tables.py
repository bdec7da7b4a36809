"""A table of a page as a table of a DOCX: header rows that repeat, rows that stay whole."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from docx.document import Document as Body
from docx.oxml import OxmlElement
from docx.oxml.ns import qn
from lxml.html import HtmlElement

from analytics.reports.docx_parts import CELL_SIZES, cell_style, element

#: Twentieths of a point in a millimetre, the unit of widths here.
_TWIPS = 1440 / 25.4

#: Millimetres of a character in a cell and in a head, which is bold and without serifs, at the
#: type's full size; and of the margins of a cell.
_CELL, _HEAD, _MARGINS = 1.55, 2.0, 2.6

#: Characters beyond which a column is not widened for a longer text: it takes two lines.
_WIDEST = 34


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
    size = next((s for s in CELL_SIZES if sum(_least(rows, s)) <= width), CELL_SIZES[-1])
    widths = _widths(rows, width, size)
    table = OxmlElement("w:tbl")
    table.append(_properties(sum(widths)))
    grid = OxmlElement("w:tblGrid")
    for column in widths:
        grid.append(element("w:gridCol", w=str(column)))
    table.append(grid)
    for number, row in enumerate(rows):
        style = _style(size, is_head=number < len(heads))
        line = _row(row, widths, style=style, repeats=number < len(heads))
        if [cells[0][0].span for cells in rows[number + 1 : number + 2]] == ["continue"]:
            _keep_with_next(line)
        table.append(line)
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


_Rows = Sequence[Sequence[tuple[_Cell, int]]]


def _widths(rows: _Rows, width: float, size: float) -> list[int]:
    """Return the width of each column in twips: no word and no number is cut where there is room.

    What is left beyond that goes to the columns whose texts would like more.
    """
    least, wanted = _least(rows, size), _wanted(rows, size)
    more = [max(want - need, 0.0) for want, need in zip(wanted, least, strict=True)]
    left, asked = width - sum(least), sum(more)
    share = min(left / asked, 1.0) if left > 0 and asked > 0 else 0.0
    scale = min(width / sum(least), 1.0)
    return [
        round((need * scale + share * extra) * _TWIPS)
        for need, extra in zip(least, more, strict=True)
    ]


def _least(rows: _Rows, size: float) -> list[float]:
    """Return the millimetres below which a word of a column would be cut, or a number folded."""
    least = []
    for column in zip(*rows, strict=True):
        (head, _), *body = column
        longest = max((len(part) for part in head.words.split()), default=0) * _HEAD
        for cell, _ in body:
            parts = [cell.words] if cell.is_number else cell.words.split()
            longest = max(longest, max((len(part) for part in parts), default=0) * _CELL)
        least.append(longest * size / CELL_SIZES[0] + _MARGINS)
    return least


def _wanted(rows: _Rows, size: float) -> list[float]:
    """Return the millimetres at which every text has one line, those of long ones two."""
    return [
        max(
            max((min(len(cell.words), _WIDEST) for cell, _ in body), default=0) * _CELL,
            len(head.words) / 2 * _HEAD,
        )
        * size
        / CELL_SIZES[0]
        + _MARGINS
        for (head, _), *body in zip(*rows, strict=True)
    ]


def _style(size: float, *, is_head: bool) -> str:
    return cell_style("Cell Head" if is_head else "Cell", size).replace(" ", "")


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


def _row(
    cells: Sequence[tuple[_Cell, int]], widths: Sequence[int], *, style: str, repeats: bool
) -> Any:
    row, about = OxmlElement("w:tr"), OxmlElement("w:trPr")
    about.append(OxmlElement("w:cantSplit"))
    if repeats:
        about.append(OxmlElement("w:tblHeader"))
    row.append(about)
    for (cell, _), width in zip(cells, widths, strict=True):
        row.append(_cell(cell, width, style=style))
    return row


def _keep_with_next(row: Any) -> None:
    """Keep a row on the page of the next one, which shares its first cell."""
    for style in row.iter(qn("w:pStyle")):
        style.addnext(OxmlElement("w:keepNext"))


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
