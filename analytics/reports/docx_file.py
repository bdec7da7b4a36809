"""A page as DOCX: read from the same HTML, so that it says what the page says and no more."""

from __future__ import annotations

import io
import re
import zipfile
from base64 import b64decode
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from datetime import date, datetime, time

from docx import Document
from docx.document import Document as Body
from docx.shared import Mm
from docx.text.paragraph import Paragraph
from docx.text.run import Run
from lxml import html as reader
from lxml.html import HtmlElement

from analytics.reports import docx_parts as parts
from analytics.reports.docx_tables import write_table
from analytics.reports.page import running_title

#: Millimetres between the margins of the page.
TEXT_WIDTH, TEXT_HEIGHT = 178, 225

#: Left out, as on paper: what leads to other files, and sentences that repeat a table.
_LEFT_OUT = ("around", "said", "skip")

_SPACES = re.compile(r"[ \t\r\n\f]+")
_ILLEGAL = re.compile("[^\t\n\r -\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]")

#: Every entry of the file carries this day, so that the same page gives the same bytes.
_DAY = (1980, 1, 1, 0, 0, 0)


@dataclass(frozen=True)
class About:
    """What a file says of itself: title, author, cut-off and words that are not on the page."""

    title: str
    programme: str
    cut_off: date
    language: str
    page_word: str


def build_docx(page: str, pictures: Sequence[str], about: About) -> bytes:
    """Return a page as DOCX: the same bytes for the same page.

    Parameters
    ----------
    page
        HTML as built by ``build_page``.
    pictures
        The figures of the page in its order, as PNG in base 64; without any, all are left out.
    about
        What the file says of itself.

    Raises
    ------
    ValueError
        When there are more or fewer pictures than figures: one would stand under another's name.
    """
    document = Document()
    parts.set_styles(document, about.language)
    _describe(document, about)
    parts.set_running_lines(document, running_title(about.programme, about.title), about.page_word)
    tree = reader.document_fromstring(_ILLEGAL.sub("\N{REPLACEMENT CHARACTER}", page))
    n_figures = len(tree.findall(".//figure//svg"))
    if pictures and len(pictures) != n_figures:
        raise ValueError(f"{len(pictures)} pictures for the {n_figures} figures of a page")
    _Writer(document, iter(pictures)).write(tree.find("body"))
    memory = io.BytesIO()
    document.save(memory)
    return _without_clock(memory.getvalue())


def _describe(document: Body, about: About) -> None:
    section = document.sections[0]
    section.page_width, section.page_height = Mm(210), Mm(297)
    section.left_margin = section.right_margin = Mm(16)
    section.top_margin, section.bottom_margin = Mm(22), Mm(20)
    known = document.core_properties
    day = datetime.combine(about.cut_off, time())
    known.title, known.author, known.language = about.title, about.programme, about.language
    known.last_modified_by, known.comments = about.programme, ""
    known.created = known.modified = day
    known.revision = 1


def _without_clock(made: bytes) -> bytes:
    memory = io.BytesIO()
    with (
        zipfile.ZipFile(io.BytesIO(made)) as old,
        zipfile.ZipFile(memory, "w", zipfile.ZIP_DEFLATED) as new,
    ):
        for name in old.namelist():
            entry = zipfile.ZipInfo(name, _DAY)
            entry.compress_type = zipfile.ZIP_DEFLATED
            new.writestr(entry, old.read(name))
    return memory.getvalue()


@dataclass(frozen=True)
class _Writer:
    """Writes the elements of a page into a document, in order."""

    document: Body
    pictures: Iterator[str]

    def write(self, element: HtmlElement) -> None:
        if not isinstance(element.tag, str) or set(_classes(element)) & set(_LEFT_OUT):
            return
        if element.get("aria-labelledby") == "clinics-title":
            return
        writers: dict[str, Callable[[HtmlElement], None]] = {
            "p": self._paragraph,
            "ul": self._list,
            "ol": self._list,
            "figure": self._figure,
            "table": self._table,
            "nav": self._contents,
            **dict.fromkeys(("h1", "h2", "h3", "h4", "h5", "h6"), self._heading),
        }
        if element.tag in writers:
            writers[element.tag](element)
            return
        if _begins_page(element):
            self.document.add_page_break()
        for child in element:
            self.write(child)

    def _heading(self, element: HtmlElement) -> None:
        level = min(int(element.tag[1]), 4)
        line = self.document.add_paragraph(style=f"Heading {level}")
        if element.get("id"):
            parts.add_bookmark(line, element.get("id"))
        _write_words(line, element)

    def _paragraph(self, element: HtmlElement) -> None:
        if "standing" in _classes(element):
            # Beside each other on a page; here a line each.
            for part in element:
                _write_words(self.document.add_paragraph(style=parts.QUIET["standing"]), part)
            return
        style = next((name for name in _classes(element) if name in parts.QUIET), "")
        line = self.document.add_paragraph(style=parts.QUIET.get(style, "Normal"))
        _write_words(line, element)

    def _list(self, element: HtmlElement, level: int = 1) -> None:
        base = "List Number" if element.tag == "ol" else "List Bullet"
        quiet = "notes" in _classes(element)
        for item in element:
            style = parts.NOTE_STYLE if quiet else base if level == 1 else f"{base} {min(level, 3)}"
            line = self.document.add_paragraph(style=style)
            _write_words(line, item)
            for below in item:
                if below.tag in ("ul", "ol"):
                    self._list(below, level + 1)

    def _contents(self, element: HtmlElement) -> None:
        links = list(element.iter("a"))
        head = element.find("h2")
        if head is not None:
            self.document.add_paragraph(_text(head), style="Contents Title")
        depths = [sum(up.tag == "ol" for up in link.iterancestors()) for link in links]
        lines = [
            parts.add_link(self.document, link.get("href")[1:], _text(link), depth)
            for link, depth in zip(links, depths, strict=True)
        ]
        parts.wrap_contents(lines)

    def _figure(self, element: HtmlElement) -> None:
        caption = element.find("figcaption")
        parts.keep_last_with_next(self.document)
        for drawing in element.iter("svg"):
            if picture := next(self.pictures, ""):
                line = self.document.add_paragraph(style="Figure")
                place = line.add_run()
                parts.add_picture(place, b64decode(picture), (TEXT_WIDTH, TEXT_HEIGHT))
                parts.describe_picture(place, drawing.get("aria-label", ""))
        if caption is not None:
            self.document.add_paragraph(_text(caption), style="Figure Caption")

    def _table(self, element: HtmlElement) -> None:
        caption = element.find("caption")
        if caption is not None:
            self.document.add_paragraph(_text(caption), style="Caption")
        write_table(self.document, element, width=TEXT_WIDTH)


def _begins_page(element: HtmlElement) -> bool:
    """Tell whether a part of the page begins on a new sheet, as in print."""
    is_later = "chapter" in _classes(element) and element.getprevious() is not None
    return is_later or "provenance" in _classes(element)


def _classes(element: HtmlElement) -> list[str]:
    return (element.get("class") or "").split()


def _text(element: HtmlElement) -> str:
    return _SPACES.sub(" ", element.text_content()).strip()


def _write_words(line: Paragraph, element: HtmlElement) -> None:
    """Write the words of an element with what is strong, stressed or code in it."""
    pieces = [piece for piece in _pieces(element, ()) if piece[0]]
    if pieces:
        pieces[0] = (pieces[0][0].lstrip(), pieces[0][1])
        pieces[-1] = (pieces[-1][0].rstrip(), pieces[-1][1])
    for text, tags in pieces:
        _format(line.add_run(text), tags)


def _format(run: Run, tags: Sequence[str]) -> None:
    run.bold = True if "strong" in tags else None
    run.italic = True if "em" in tags else None
    if "code" in tags:
        run.font.name = "Liberation Mono"


def _pieces(element: HtmlElement, tags: tuple[str, ...]) -> Iterator[tuple[str, tuple[str, ...]]]:
    yield _SPACES.sub(" ", element.text or ""), tags
    for child in element:
        if child.tag == "br":
            yield "\n", tags
        elif child.tag not in ("ul", "ol", "table"):
            yield from _pieces(child, (*tags, child.tag))
        yield _SPACES.sub(" ", child.tail or ""), tags
