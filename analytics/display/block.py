"""What a notebook shows of a released result, in every form that a page or file reads."""

from __future__ import annotations

from base64 import b64encode
from dataclasses import asdict, dataclass
from datetime import date
from functools import cached_property
from html import escape
from typing import Any

import pandas as pd
from matplotlib.figure import Figure

from analytics.definitions.labels import label
from analytics.display import words
from analytics.display.figures import draw, to_png, to_svg
from analytics.display.plain import Claim, list_claims
from analytics.display.sheets import Sheets, split
from analytics.display.tables import Table, require_released, tabulate
from analytics.results import Phrase
from analytics.sharing.protect import Released

#: Type of the data of a block among the outputs of a notebook.
BLOCK_TYPE = "application/vnd.talipes-outcomes.block+json"

#: Where its data hold the parts of a tall figure after the first, as PNG in base 64.
MORE_PICTURES = "more_pictures"

#: Shapes whose sentences pick out what is unusual, and do not go through the table row by row.
_TELLS = ("trend", "comparison", "curve")

#: Height of a figure among words, as a share of its own.
_LOW = 0.7

#: More sentences than this on other shapes are the table once more, in words.
_MOST_OPEN = 3


@dataclass(frozen=True)
class Block:
    """A released result in one language: figure, table, sentences and data.

    Parameters
    ----------
    released
        What a policy let out.
    language
        Language of the words.
    manner
        What a page shows of it: ``whole``; ``plain``, for claims in plain words alone;
        ``picture``, for the figure with its title alone.
    has_picture
        Whether it carries its figure as PNG too, for files that cannot hold SVG.

    Raises
    ------
    TypeError
        When the result has not passed a policy.
    """

    released: Released
    language: str = "en"
    manner: str = "whole"
    has_picture: bool = True

    def __post_init__(self) -> None:
        require_released(self.released)

    @cached_property
    def table(self) -> Table:
        """Return the table."""
        return tabulate(self.released, self.language)

    @cached_property
    def svgs(self) -> tuple[str, ...]:
        """Return the figure as SVG, in parts that fit a sheet; the page around them names them."""
        return tuple(map(to_svg, self._figures))

    @cached_property
    def pngs(self) -> tuple[bytes, ...]:
        """Return the figure as PNG fit for print, for files that cannot hold SVG."""
        # Laid out once already: without this the places of all texts are worked out again.
        assert self.svgs
        for figure in self._figures:
            figure.set_layout_engine("none")
        return tuple(map(to_png, self._figures))

    @cached_property
    def _figures(self) -> tuple[Figure, ...]:
        figures = tuple(draw(part, self.language) for part in self._sheets.parts)
        if self.manner == "picture":
            # It stands among words on a sheet: lower, rather than smaller with its letters.
            for figure in figures:
                figure.set_figheight(_LOW * figure.get_figheight())
        return figures

    @cached_property
    def _sheets(self) -> Sheets:
        return split(self.released)

    @cached_property
    def sentences(self) -> tuple[str, ...]:
        """Return the sentences."""
        if self.manner == "plain":
            return tuple(map(str, self._claims))
        return words.tell(self.released, self.language)

    @cached_property
    def _claims(self) -> tuple[Claim, ...]:
        return list_claims(self.released, self.language)

    def to_text(self) -> str:
        """Return the title, the sentences and the table as plain text."""
        if self.manner == "plain":
            return "\n".join([self.table.title, *self.sentences])
        return "\n".join([self.table.title, *self.sentences, "", self.table.to_text()])

    def to_html(self) -> str:
        """Return a section with figure, table, sentences and notes; every text is escaped."""
        table, kind = self.table, escape(self.released.shape.name)
        if self.manner == "plain":
            lines = "\n".join(map(_claim_html, self._claims))
            return _section(f"block {self.manner}", kind, f'<ul class="claims">{lines}</ul>')
        if self.manner == "picture":
            return _section("block", kind, self._figure_html())
        basis = escape(" ".join(words.basis(self.released, self.language)))
        notes = "".join(f"<li>{escape(note)}</li>" for note in table.notes)
        head = escape(label(self.language, "word.notes"))
        return (
            f'<section class="block" data-shape="{kind}">\n{self._figure_html()}\n'
            f'<div class="table-box" role="region" tabindex="0" '
            f'aria-label="{escape(table.caption, quote=True)}">\n{table.to_html()}\n</div>\n'
            f'{self._findings_html()}\n<p class="basis">{basis}</p>\n'
            + (f'<p class="notes-head">{head}</p><ul class="notes">{notes}</ul>\n' if notes else "")
            + "</section>"
        )

    def _figure_html(self) -> str:
        drawn = "".join(map(_named, self.svgs, self._alts()))
        caption = self.table.title
        if left_out := self._sheets.n_left_out:
            more = label(self.language, "axis.more_rows", n=left_out)
            caption = label(self.language, "word.caption", title=caption, units=more)
        kind = ' class="parts"' if len(self.svgs) > 1 else ""
        return (
            f'<figure tabindex="0"{kind}>{drawn}<figcaption>{escape(caption)}</figcaption></figure>'
        )

    def _alts(self) -> list[str]:
        """Return the alternative text of each part; what the figure says stands in the first."""
        rest = [
            label(self.language, "alt.part", title=self.table.title, n=n, total=len(self.svgs))
            for n in range(2, len(self.svgs) + 1)
        ]
        return [words.alt(self.released, self.language), *rest]

    def _findings_html(self) -> str:
        """Return what the result says; where that only says every row again, folded away."""
        found = words.findings(self.released, self.language)
        lines = "".join(f"<li>{escape(line)}</li>" for line in found)
        told = f'<ul class="findings">{lines}</ul>'
        if len(found) <= _MOST_OPEN or self.released.shape.name in _TELLS:
            return told
        head = escape(label(self.language, "word.in_words"))
        return f'<details class="said"><summary>{head}</summary>{told}</details>'

    def to_data(self) -> dict[str, Any]:
        """Return everything as plain data; withheld cells are null and marked in ``hidden``."""
        released = self.released
        return {
            "name": released.name,
            "shape": released.shape.name,
            "audience": released.policy.audience,
            "policy": asdict(released.policy),
            "language": self.language,
            "title": self.table.title,
            "manner": self.manner,
            "sentences": list(self.sentences),
            "notes": list(self.table.notes),
            "alt": words.alt(released, self.language),
            "svg": "".join(self.svgs),
            "table": self.table.to_data(),
            "groups": list(released.groups),
            "frame": _records(released.frame),
            "hidden": _records(released.hidden),
            "context": self._context(),
        }

    def _context(self) -> dict[str, Any]:
        context, policy = self.released.context, self.released.policy
        plain = {name: _plain(value) for name, value in asdict(context).items()}

        def speak(phrase: Phrase) -> str:
            return words.say(phrase, self.language, months_only=policy.months_only)

        return plain | {
            "cut_off": context.cut_off.isoformat()[: 7 if policy.months_only else 10],
            "population": speak(context.population),
            "method": speak(context.method),
            "notes": [speak(note) for note in context.notes],
            "exclusions": [{"reason": key, "n": n} for key, n in context.exclusions],
        }

    def _repr_mimebundle_(
        self, include: object = None, exclude: object = None
    ) -> dict[str, object]:
        forms = {"text/plain": self.to_text(), "text/html": self.to_html()}
        if not self.has_picture or self.manner == "plain":
            return forms | {BLOCK_TYPE: self.to_data()}
        first, *more = (b64encode(png).decode() for png in self.pngs)
        # A form holds one picture: those of the other sheets stand among the data.
        data = self.to_data() | ({MORE_PICTURES: more} if more else {})
        return forms | {"image/png": first, BLOCK_TYPE: data}


def _section(classes: str, kind: str, html: str) -> str:
    return f'<section class="{classes}" data-shape="{kind}">\n{html}\n</section>'


def _named(svg: str, alt: str) -> str:
    return svg.replace("<svg ", f'<svg role="img" aria-label="{escape(alt, quote=True)}" ', 1)


def _claim_html(claim: Claim) -> str:
    figure, told, basis = map(escape, (claim.figure, claim.words, claim.basis))
    return (
        f'<li><strong class="figure">{figure}</strong> <span class="told">{told}</span> '
        f'<span class="sure">{basis}</span></li>'
    )


def _records(frame: pd.DataFrame) -> list[dict[str, Any]]:
    plain = frame.astype(object).where(frame.notna(), None)
    return [
        {str(name): _plain(value) for name, value in record.items()}
        for record in plain.to_dict("records")
    ]


def _plain(value: Any) -> Any:
    if isinstance(value, date):
        return value.isoformat()
    return value.item() if hasattr(value, "item") else value
