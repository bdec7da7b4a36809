"""From an executed notebook to a chapter of a page: words and released blocks, no code."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from markdown_it import MarkdownIt
from markupsafe import Markup, escape
from nbformat import NotebookNode

from analytics.definitions.labels import label
from analytics.definitions.notebook_words import in_language
from analytics.display.block import BLOCK_TYPE, MORE_PICTURES
from analytics.reports.speaking import tell_error

_ANCHOR = re.compile(r' id="([^"]+)"')
_REFERENCE = re.compile(r'(url\(#|href="#|aria-labelledby=")([^")]+)')

#: Cells with this tag hold the text that the notebook test compares; pages leave it out.
HEADLINE_TAG = "headline"

#: Words with this tag are for a person at the notebook; pages leave them out.
NOTEBOOK_TAG = "notebook-only"


@dataclass(frozen=True)
class Heading:
    """A heading of a chapter: its level (1 is the page's own), anchor and words."""

    level: int
    anchor: str
    words: str


@dataclass(frozen=True)
class Chapter:
    """What a page shows of one notebook.

    Parameters
    ----------
    name
        File name of the notebook without its ending.
    html
        Safe HTML of its words and blocks.
    headings
        In order; the first is the chapter's title.
    blocks
        The data of each block shown.
    pictures
        The figures of the blocks shown, as PNG in base 64, tall ones in parts; empty where none
        was made.
    failures
        Reasons of the cells that failed.
    """

    name: str
    html: Markup
    headings: tuple[Heading, ...]
    blocks: tuple[dict[str, Any], ...]
    failures: tuple[str, ...]
    pictures: tuple[str, ...] = ()

    @property
    def title(self) -> str:
        """Return the words of the first heading."""
        return self.headings[0].words if self.headings else self.name


@dataclass(frozen=True)
class _Reader:
    """Who reads the page; what every step below needs to know."""

    audience: str
    language: str

    def say(self, key: str, **values: object) -> str:
        return label(self.language, key, **values)


def read_chapter(
    notebook: NotebookNode, *, name: str, audience: str, language: str, is_first: bool = True
) -> Chapter:
    """Return the chapter of an executed notebook.

    Parameters
    ----------
    notebook
        With the outputs of its cells.
    name
        File name without its ending; anchors begin with it.
    audience, language
        Who reads it; a block released for another audience is left out.
    is_first
        Whether its title is the title of the page; other chapters go one level down.
    """
    reader = _Reader(audience, language)
    html: list[str] = []
    headings: list[Heading] = []
    shift = 0 if is_first else 1
    for number, cell in enumerate(notebook.cells):
        tags = cell.metadata.get("tags", [])
        if cell.cell_type == "markdown" and NOTEBOOK_TAG not in tags:
            text = in_language(cell.source, notebook=name, cell=cell.id, language=language)
            words, found = render_markdown(text, prefix=f"{name}-{number}", shift=shift)
            html.append(words)
            headings += found
        elif cell.cell_type == "code":
            shown = [_render_output(output, cell, reader) for output in cell.get("outputs", [])]
            html += [own_anchors(part, f"{name}-{number}") for part in shown]
    outputs = list(_outputs(notebook))
    shown_data = [data for data in map(_data, outputs) if _may_show(data, audience)]
    return Chapter(
        name=name,
        html=Markup("\n".join(part for part in html if part)),
        headings=tuple(headings),
        blocks=tuple(_without_more(data[BLOCK_TYPE]) for data in shown_data),
        failures=tuple(str(o.evalue) for o in outputs if o.output_type == "error"),
        pictures=tuple(picture for data in shown_data for picture in _pictures(data)),
    )


def render_markdown(text: str, *, prefix: str, shift: int) -> tuple[str, list[Heading]]:
    """Return the HTML of Markdown text and its headings; HTML inside the text is shown as text.

    Parameters
    ----------
    text
        Markdown with tables; pictures are refused, since a page asks nothing of the outside.
    prefix
        Start of each anchor.
    shift
        Levels by which headings go down.
    """
    parser = MarkdownIt("commonmark", {"html": False}).enable("table").disable("image")
    tokens = parser.parse(text)
    headings: list[Heading] = []
    for position, token in enumerate(tokens):
        if token.type == "heading_open":
            words = "".join(part.content for part in tokens[position + 1].children or [])
            anchor = f"{prefix}-{len(headings) + 1}"
            token.attrSet("id", anchor)
            headings.append(Heading(_shifted(token.tag, shift), anchor, words))
        if token.type in ("heading_open", "heading_close"):
            token.tag = f"h{_shifted(token.tag, shift)}"
    return parser.renderer.render(tokens, parser.options, {}), headings


def own_anchors(html: str, prefix: str) -> str:
    """Return HTML whose anchors no other part of a page has; those that nothing uses are gone.

    Parameters
    ----------
    html
        Of one block: two blocks that draw the same figure have the same anchors.
    prefix
        Start of each anchor that stays.
    """
    used = {anchor for _, anchor in _REFERENCE.findall(html)}
    html = _ANCHOR.sub(lambda found: f' id="{prefix}-{found[1]}"' if found[1] in used else "", html)
    return _REFERENCE.sub(rf"\g<1>{prefix}-\g<2>", html)


def _shifted(tag: str, shift: int) -> int:
    return min(int(tag[1]) + shift, 6)


def _outputs(notebook: NotebookNode) -> Iterator[NotebookNode]:
    for cell in notebook.cells:
        yield from cell.get("outputs", [])


def _data(output: NotebookNode) -> dict[str, Any]:
    return dict(output.get("data", {}))


def _pictures(data: Mapping[str, Any]) -> list[str]:
    """Return one picture for each figure that the page shows, since files place them in order."""
    n_shown = str(data["text/html"]).count("<svg ")
    made = [data.get("image/png", ""), *data[BLOCK_TYPE].get(MORE_PICTURES, ())]
    return made[:n_shown] if len(made) >= n_shown else [""] * n_shown


def _without_more(block: Mapping[str, Any]) -> dict[str, Any]:
    return {name: value for name, value in block.items() if name != MORE_PICTURES}


def _may_show(data: dict[str, Any], audience: str) -> bool:
    return BLOCK_TYPE in data and data[BLOCK_TYPE].get("audience") == audience


def _render_output(output: NotebookNode, cell: NotebookNode, reader: _Reader) -> str:
    if output.output_type == "error":
        return _render_failure(str(output.evalue), reader)
    data = _data(output)
    if _may_show(data, reader.audience):
        return str(data["text/html"])
    if data and HEADLINE_TAG not in cell.metadata.get("tags", []):
        return f'<p class="left-out">{escape(reader.say("page.not_released"))}</p>'
    return ""


def _render_failure(reason: str, reader: _Reader) -> str:
    # An error may quote small counts or a record, so its words stay inside the programme.
    if reader.audience == "internal":
        why = reader.say("page.failed_reason", reason=tell_error(reason, reader.language))
    else:
        why = reader.say("page.failed_withheld")
    lines = Markup("<br>").join(why.splitlines())
    title = escape(reader.say("page.failed"))
    return f'<div class="failed" role="note"><p><strong>{title}</strong></p><p>{lines}</p></div>'


def all_blocks(chapters: Sequence[Chapter]) -> list[dict[str, Any]]:
    """Return the blocks of several chapters, each with the name of its notebook."""
    return [{"page": chapter.name} | block for chapter in chapters for block in chapter.blocks]


def all_pictures(chapters: Sequence[Chapter]) -> tuple[str, ...]:
    """Return the figures of several chapters in order, as PNG in base 64."""
    return tuple(picture for chapter in chapters for picture in chapter.pictures)
