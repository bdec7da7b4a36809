"""Parts of a DOCX that the library has no call for: fields, links, language, styles."""

from __future__ import annotations

import io
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any
from zlib import crc32

from docx.document import Document as Body
from docx.enum.style import WD_STYLE_TYPE
from docx.enum.text import WD_TAB_ALIGNMENT
from docx.image.image import Image
from docx.oxml import OxmlElement
from docx.oxml.ns import qn
from docx.shared import Mm, Pt, RGBColor
from docx.text.paragraph import Paragraph
from docx.text.run import Run

SERIF, SANS = "Liberation Serif", "Liberation Sans"
INK, QUIET_INK = RGBColor(0x1D, 0x25, 0x2C), RGBColor(0x55, 0x60, 0x6A)

NOTE_STYLE = "Note"

#: Points of the words in tables; the smaller ones where they would else be cut.
CELL_SIZES = (8.5, 7.5, 6.5)

#: Classes of the page's paragraphs that have a style of their own.
QUIET = {"basis": "Basis", "notes-head": "Notes Head", "programme": "Programme",
         "standing": "Basis", "failed": "Strong Note", "left-out": "Strong Note"}  # fmt: skip

_HEADINGS = {1: (20, 18, 6), 2: (15, 16, 6), 3: (12, 14, 4), 4: (10.5, 12, 3)}


def set_styles(document: Body, language: str) -> None:
    """Give the document our type, our colours and its language."""
    defaults = document.styles.element.find(qn("w:docDefaults")).find(".//" + qn("w:rPr"))
    for mark in defaults.findall(qn("w:lang")):
        defaults.remove(mark)
    defaults.append(element("w:lang", val=language, eastAsia=language, bidi=language))
    _shape(document.styles["Normal"], _Type(SERIF, 10, after=6))
    for level, (size, before, after) in _HEADINGS.items():
        style = document.styles[f"Heading {level}"]
        _shape(style, _Type(SANS, size, before, after, bold=True))
        style.paragraph_format.keep_with_next = True
    _shape(document.styles["Caption"], _Type(SANS, 9, 6, 3, bold=True))
    document.styles["Caption"].paragraph_format.keep_with_next = True
    for name in ("List Bullet", "List Number", "List Bullet 2", "List Number 2"):
        _shape(document.styles[name], _Type(SERIF, 10, after=2))
    _add_own(document)


def _add_own(document: Body) -> None:
    for name, font, size, bold in (
        ("Programme", SANS, 12, True),
        ("Contents Title", SANS, 12, True),
        ("toc 1", SANS, 9.5, False),
        ("toc 2", SANS, 9.5, False),
        ("Figure", SERIF, 10, False),
        ("Figure Caption", SANS, 9, False),
        *((cell_style("Cell", size), SERIF, size, False) for size in CELL_SIZES),
        *((cell_style("Cell Head", size), SANS, size, True) for size in CELL_SIZES),
        ("Basis", SERIF, 8.5, False),
        ("Notes Head", SANS, 9, True),
        ("Strong Note", SERIF, 10, True),
    ):
        style = document.styles.add_style(name, WD_STYLE_TYPE.PARAGRAPH)
        style.base_style = document.styles["Normal"]
        after = 1 if name.startswith(("Cell", "toc")) else 4
        _shape(style, _Type(font, size, after=after, bold=bold))
    note = document.styles.add_style(NOTE_STYLE, WD_STYLE_TYPE.PARAGRAPH)
    note.base_style = document.styles["List Bullet"]
    _shape(note, _Type(SERIF, 8.5, after=1))
    for name in ("Basis", "Figure Caption", NOTE_STYLE):
        document.styles[name].font.color.rgb = QUIET_INK
    # The head of a table is not left behind at the foot of a page.
    heads = (cell_style("Cell Head", size) for size in CELL_SIZES)
    for name in ("Figure", "Notes Head", "Contents Title", *heads):
        document.styles[name].paragraph_format.keep_with_next = True
    document.styles["toc 2"].paragraph_format.left_indent = Mm(6)


def cell_style(name: str, size: float) -> str:
    """Return the name of the style of cells or heads of a table in a size."""
    return name if size == CELL_SIZES[0] else f"{name} {size:g}"


@dataclass(frozen=True)
class _Type:
    """How a style is set: font, points, points before and after, weight."""

    font: str
    size: float
    before: float = 0
    after: float = 0
    bold: bool = False


def _shape(style: Any, kind: _Type) -> None:
    style.font.name, style.font.size, style.font.bold = kind.font, Pt(kind.size), kind.bold
    style.font.color.rgb, style.font.italic = INK, False
    fonts = style.element.get_or_add_rPr().get_or_add_rFonts()
    for name in ("asciiTheme", "hAnsiTheme", "eastAsiaTheme", "cstheme"):
        fonts.attrib.pop(qn(f"w:{name}"), None)
    for name in ("ascii", "hAnsi", "cs", "eastAsia"):
        fonts.set(qn(f"w:{name}"), kind.font)
    style.paragraph_format.space_before = Pt(kind.before)
    style.paragraph_format.space_after = Pt(kind.after)


def set_running_lines(document: Body, title: str, page_word: str) -> None:
    """Write the running title above and the number of the page below."""
    section = document.sections[0]
    head, foot = section.header.paragraphs[0], section.footer.paragraphs[0]
    head.style = foot.style = document.styles["Basis"]
    head.add_run(title)
    foot.paragraph_format.tab_stops.add_tab_stop(Mm(178), WD_TAB_ALIGNMENT.RIGHT)
    foot.add_run(f"\t{page_word} ")
    _add_field(foot, "PAGE")
    foot.add_run(" / ")
    _add_field(foot, "NUMPAGES")


def _add_field(line: Paragraph, code: str) -> None:
    field = element("w:fldSimple", instr=f" {code} ")
    run, text = OxmlElement("w:r"), OxmlElement("w:t")
    text.text = "1"
    run.append(text)
    field.append(run)
    line._p.append(field)


def add_bookmark(line: Paragraph, anchor: str) -> None:
    """Let links find a heading."""
    number = str(crc32(anchor.encode()) % 2**31)
    line._p.append(element("w:bookmarkStart", id=number, name=bookmark_name(anchor)))
    line._p.append(element("w:bookmarkEnd", id=number))


def bookmark_name(anchor: str) -> str:
    """Return a name that a bookmark may have, the same in every run."""
    return f"b{crc32(anchor.encode()):08x}"


def add_link(document: Body, anchor: str, words: str, depth: int) -> Paragraph:
    """Return a line of the contents, whose words lead to the heading."""
    line = document.add_paragraph(style=f"toc {min(max(depth, 1), 2)}")
    link = element("w:hyperlink", anchor=bookmark_name(anchor), history="1")
    link.append(_run(words))
    line._p.append(link)
    return line


def wrap_contents(lines: Sequence[Paragraph]) -> None:
    """Make lines the result of a field that a word processor can make again from the headings."""
    if not lines:
        return
    begin = [_mark("begin"), _instruction(' TOC \\o "1-3" \\h \\z '), _mark("separate")]
    first = lines[0]._p
    place = 1 if first.pPr is not None else 0
    for offset, run in enumerate(begin):
        first.insert(place + offset, run)
    lines[-1]._p.append(_mark("end"))


def add_picture(run: Run, png: bytes, most: tuple[float, float]) -> None:
    """Put a picture in, as large as it is drawn but within these millimetres."""
    image = Image.from_blob(png)
    width = min(most[0], most[1] * image.px_width / image.px_height)
    drawn = run.add_picture(io.BytesIO(png), width=Mm(width))
    # No room at its sides: it is as wide as the text.
    for side in ("distL", "distR"):
        drawn._inline.set(side, "0")


def keep_last_with_next(document: Body) -> None:
    """Keep the paragraph that was written last on the page of what follows."""
    lines = document.element.body.findall(qn("w:p"))[-1:]
    for line in lines:
        Paragraph(line, document).paragraph_format.keep_with_next = True


def describe_picture(run: Run, words: str) -> None:
    """Give the picture of a run its alternative text."""
    for part in run._r.iter(qn("wp:docPr")):
        part.set("descr", words)


def _run(words: str) -> Any:
    run, text = OxmlElement("w:r"), OxmlElement("w:t")
    text.text = words
    text.set(qn("xml:space"), "preserve")
    run.append(text)
    return run


def _mark(kind: str) -> Any:
    run = OxmlElement("w:r")
    run.append(element("w:fldChar", fldCharType=kind))
    return run


def _instruction(code: str) -> Any:
    run, text = OxmlElement("w:r"), OxmlElement("w:instrText")
    text.text = code
    text.set(qn("xml:space"), "preserve")
    run.append(text)
    return run


def element(tag: str, /, **attributes: str) -> Any:
    """Return an element with attributes, all of the space of words (``w:``)."""
    made = OxmlElement(tag)
    for key, value in attributes.items():
        made.set(qn(f"w:{key}"), value)
    return made
