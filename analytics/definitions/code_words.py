"""Texts that stand in the code in English, such as those of errors, in other languages.

The English is the key of its translation, with ``{0}``, ``{1}`` where the code puts something in,
so that a text that is changed in the code loses its translation and a test says so.
"""

from __future__ import annotations

import re
import tomllib
from dataclasses import dataclass
from functools import cache
from importlib.resources import files
from itertools import pairwise

from analytics.definitions.notebook_words import WRITTEN_IN
from analytics.definitions.typography import set_marks

_HOLE = re.compile(r"\{(\d+)\}")

#: Signs that a text needs besides its holes to be looked for in what fills another's hole.
_LEAST_OWN = 7


@dataclass(frozen=True)
class _Pattern:
    """A text with holes: what it matches, its holes, its translation, and how much it says."""

    matches: re.Pattern[str]
    holes: tuple[str, ...]
    words: str
    n_own: int


@cache
def catalogue(language: str) -> dict[str, str]:
    """Return English text to its translation; both with holes where the code puts something in."""
    folder = files("analytics.definitions") / "labels" / language / "code"
    found: dict[str, str] = {}
    if folder.is_dir():
        for file in sorted(folder.iterdir(), key=lambda item: item.name):
            found |= tomllib.loads(file.read_text(encoding="utf-8"))
    return found


def in_words_of(language: str, text: str) -> str:
    """Return a text of the code in a language; one that is not known stays English.

    What the code put into a hole is translated where it is a text of the catalogue that says
    enough of its own; anything else there is data, and stays.
    """
    if language == WRITTEN_IN or not text:
        return text
    return _translate(text, language, least=0)


def _translate(text: str, language: str, *, least: int) -> str:
    known = catalogue(language)
    if text in known:
        return set_marks(known[text], language)
    for pattern in _patterns(language):
        match = pattern.matches.fullmatch(text) if pattern.n_own >= least else None
        if match:
            return _fill(pattern, match, language)
    return text


def _fill(pattern: _Pattern, match: re.Match[str], language: str) -> str:
    told = (_translate(value, language, least=_LEAST_OWN) for value in match.groups())
    values = dict(zip(pattern.holes, told, strict=True))
    words = set_marks(pattern.words, language)
    return _HOLE.sub(lambda hole: values[hole[1]], words)


@cache
def _patterns(language: str) -> tuple[_Pattern, ...]:
    """Return the texts with holes, those that say most first."""
    texts = [text for text in catalogue(language) if _HOLE.search(text)]
    texts.sort(key=lambda text: (-len(_HOLE.sub("", text)), text))
    return tuple(_compile(text, catalogue(language)[text]) for text in texts)


def _compile(text: str, words: str) -> _Pattern:
    parts = _HOLE.split(text)
    literals, holes = parts[::2], parts[1::2]
    n_own = sum(map(len, literals))
    regex = re.escape(literals[0])
    for before, after in pairwise(literals):
        regex += f"({_filling(before, after, n_own)})" + re.escape(after)
    return _Pattern(re.compile(regex, re.DOTALL), tuple(holes), words, n_own)


def _filling(before: str, after: str, n_own: int) -> str:
    """Return what may fill a hole: no quote in quotes, and one word in a text that says little."""
    if before.endswith("'") and after.startswith("'"):
        return "[^']*"
    return r"\S*?" if after and n_own < _LEAST_OWN else ".*?"
