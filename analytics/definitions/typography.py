"""Marks as a language sets them: spaces that do not break, and the apostrophe."""

from __future__ import annotations

import re
from types import MappingProxyType

_NO_BREAK = "\N{NO-BREAK SPACE}"
_NARROW = "\N{NARROW NO-BREAK SPACE}"
_APOSTROPHE = "\N{RIGHT SINGLE QUOTATION MARK}"

#: Language to pairs of what is found and what stands instead; before per cent as CLDR has it.
_RULES = MappingProxyType(
    {
        "fr": (
            (re.compile(r" (?=[;?!])"), _NARROW),
            (re.compile(r" (?=[:»%])"), _NO_BREAK),
            (re.compile(r"(?<=«) "), _NO_BREAK),
            (re.compile(r"(?<=[^\W\d_])'(?=[\w«{])"), _APOSTROPHE),
        ),
        "es": ((re.compile(r"(?<=\d) (?=%)|(?<=\}) (?=%)"), _NO_BREAK),),
    }
)


def set_marks(text: str, language: str) -> str:
    """Return the text with the marks that its language sets."""
    for found, instead in _RULES.get(language, ()):
        text = found.sub(instead, text)
    return text
