"""Spaces that do not break, where a language sets one before its marks."""

from __future__ import annotations

import re
from types import MappingProxyType

_NO_BREAK = "\N{NO-BREAK SPACE}"
_NARROW = "\N{NARROW NO-BREAK SPACE}"

#: Language to pairs of what is found and what stands instead; before per cent as CLDR has it.
_RULES = MappingProxyType(
    {
        "fr": (
            (re.compile(r" (?=[;?!])"), _NARROW),
            (re.compile(r" (?=[:»%])"), _NO_BREAK),
            (re.compile(r"(?<=«) "), _NO_BREAK),
        ),
        "es": ((re.compile(r"(?<=\d) (?=%)|(?<=\}) (?=%)"), _NO_BREAK),),
    }
)


def set_spaces(text: str, language: str) -> str:
    """Return the text with the spaces that its language does not break."""
    for found, instead in _RULES.get(language, ()):
        text = found.sub(instead, text)
    return text
