"""What a notebook shows of a released result, in every form that a page or file reads."""

from __future__ import annotations

from dataclasses import asdict, dataclass
from datetime import date
from functools import cached_property
from html import escape
from typing import Any

import pandas as pd

from analytics.definitions.labels import label
from analytics.display import words
from analytics.display.figures import draw, to_svg
from analytics.display.tables import Table, require_released, tabulate
from analytics.results import Phrase
from analytics.sharing.protect import Released

#: Type of the data of a block among the outputs of a notebook.
BLOCK_TYPE = "application/vnd.talipes-outcomes.block+json"


#: Shapes whose sentences pick out what is unusual, and do not go through the table row by row.
_TELLS = ("trend", "comparison", "curve")

#: More sentences than this on other shapes are the table once more, in words.
_MOST_OPEN = 3


@dataclass(frozen=True)
class Block:
    """A released result in one language: figure, table, sentences and data.

    Raises
    ------
    TypeError
        When the result has not passed a policy.
    """

    released: Released
    language: str = "en"

    def __post_init__(self) -> None:
        require_released(self.released)

    @cached_property
    def table(self) -> Table:
        """Return the table."""
        return tabulate(self.released, self.language)

    @cached_property
    def svg(self) -> str:
        """Return the figure as SVG without a name of its own; the page around it names it."""
        return to_svg(draw(self.released, self.language))

    @cached_property
    def sentences(self) -> tuple[str, ...]:
        """Return the sentences."""
        return words.tell(self.released, self.language)

    def to_text(self) -> str:
        """Return the title, the sentences and the table as plain text."""
        return "\n".join([self.table.title, *self.sentences, "", self.table.to_text()])

    def to_html(self) -> str:
        """Return a section with figure, table, sentences and notes; every text is escaped."""
        alt = escape(words.alt(self.released, self.language), quote=True)
        svg = self.svg.replace("<svg ", f'<svg role="img" aria-label="{alt}" ', 1)
        table = self.table
        basis = escape(" ".join(words.basis(self.released, self.language)))
        notes = "".join(f"<li>{escape(note)}</li>" for note in table.notes)
        head = escape(label(self.language, "word.notes"))
        return (
            f'<section class="block" data-shape="{escape(self.released.shape.name)}">\n'
            f'<figure tabindex="0">{svg}'
            f"<figcaption>{escape(table.title)}</figcaption></figure>\n"
            f'<div class="table-box" role="region" tabindex="0" '
            f'aria-label="{escape(table.caption, quote=True)}">\n{table.to_html()}\n</div>\n'
            f'{self._findings_html()}\n<p class="basis">{basis}</p>\n'
            + (f'<p class="notes-head">{head}</p><ul class="notes">{notes}</ul>\n' if notes else "")
            + "</section>"
        )

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
            "sentences": list(self.sentences),
            "notes": list(self.table.notes),
            "alt": words.alt(released, self.language),
            "svg": self.svg,
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
        return {
            "text/plain": self.to_text(),
            "text/html": self.to_html(),
            BLOCK_TYPE: self.to_data(),
        }


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
