"""Words of the notebooks in other languages, by cell, each tied to the English it translates."""

from __future__ import annotations

import hashlib
import tomllib
from dataclasses import dataclass
from functools import cache
from importlib.resources import files

from analytics.definitions.typography import set_marks

#: The language in which the notebooks themselves are written.
WRITTEN_IN = "en"

_MARK_LENGTH = 8


@dataclass(frozen=True)
class Translation:
    """The words of a cell in another language.

    Parameters
    ----------
    of
        Mark of the English text that was translated.
    words
        Markdown.
    """

    of: str
    words: str


def mark(source: str) -> str:
    """Return the short mark of a text, which another text does not have."""
    return hashlib.sha256(source.strip().encode("utf-8")).hexdigest()[:_MARK_LENGTH]


@cache
def translations(language: str, notebook: str) -> dict[str, Translation]:
    """Return the translated cells of a notebook by cell id; none when there is no such file."""
    folder = files("analytics.definitions") / "labels" / language / "notebooks"
    file = folder / f"{notebook}.toml"
    if not file.is_file():
        return {}
    tree = tomllib.loads(file.read_text(encoding="utf-8"))
    return {cell: Translation(**entry) for cell, entry in tree.items()}


def in_language(source: str, *, notebook: str, cell: str, language: str) -> str:
    """Return the words of a cell in a language.

    Parameters
    ----------
    source
        The English words of the cell.
    notebook
        File name of the notebook without its ending.
    cell
        Id of the cell.

    Raises
    ------
    KeyError
        When they have not been translated: a fault of this program, found by a test.
    """
    if language == WRITTEN_IN:
        return source
    return set_marks(translations(language, notebook)[cell].words, language)
