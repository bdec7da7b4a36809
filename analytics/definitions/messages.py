"""Errors in the language of the programme.

The program raises its messages in English; the labels ``error.said.*`` hold each of them with its
translation. A message is recognised by its English words, so that what raises it need not know
which language is spoken. A test holds the labels to what the program can raise.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from functools import cache

from analytics.definitions.labels import labels
from analytics.errors import AnalyticsError, NotEstimableError

_SAID = "error.said."
_SUGGEST = f"{_SAID}did_you_mean"
_GAP = re.compile(r"\{(\d)\}")
_SUGGESTION = re.compile(r"(did you mean .*?\?) ")

#: Kinds of place that ``where`` is made of, as they stand in English.
_PLACES = {
    "sheet": re.compile(r"\bsheet '([^']*)'"),
    "line": re.compile(r"\bline (\d+)"),
    "column": re.compile(r"\bcolumn '([^']*)'"),
    "map": re.compile(r"\bmap '([^']*)'"),
    "group": re.compile(r"\bgroup '([^']*)'"),
    "more": re.compile(r"\band (\d+) more"),
}


@contextmanager
def speaking(language: str) -> Iterator[None]:
    """Raise the errors of what is done within in a language."""
    try:
        yield
    except AnalyticsError as error:
        told = tell_error(error, language)
        if told is error:
            raise
        raise told from error


def tell_error(error: AnalyticsError, language: str) -> AnalyticsError:
    """Return an error in a language; what has no translation stays in English.

    Parameters
    ----------
    error
        As it was raised.
    language
        Language of the words.
    """
    if language == "en" or isinstance(error, NotEstimableError):
        return error
    known = labels(language)
    return type(error)(
        translate(error.found, language),
        where=_tell_place(error.where, language),
        allowed=translate(error.allowed, language),
        todo=translate(error.todo, language),
        heads=tuple(known[f"error.head.{name}"] for name in ("where", "allowed", "todo")),
    )


def translate(text: str, language: str) -> str:
    """Return a message in a language; the message itself where it is not known.

    Parameters
    ----------
    text
        Message in English, with its values.
    language
        Language of the words.
    """
    suggestion = _SUGGESTION.match(text)
    if suggestion:
        rest = translate(text[suggestion.end() :], language)
        return f"{translate(suggestion[1], language)} {rest}"
    for key, pattern in _patterns():
        match = pattern.fullmatch(text)
        if match:
            known = labels(language)
            values = [translate(value, language) for value in match.groups()]
            if key == _SUGGEST:
                values = [value.replace("' or '", known["error.place.or"]) for value in values]
            return _fill(known[key], values)
    return text


def _fill(template: str, values: Sequence[str]) -> str:
    return _GAP.sub(lambda gap: values[int(gap[1])], template)


@cache
def _patterns() -> tuple[tuple[str, re.Pattern[str]], ...]:
    """Return the English messages as patterns, those with the most words of their own first."""
    said = {key: text for key, text in labels("en").items() if key.startswith(_SAID)}
    ordered = sorted(said, key=lambda key: -len(_GAP.sub("", said[key])))
    return tuple((key, _pattern(said[key])) for key in ordered)


def _pattern(text: str) -> re.Pattern[str]:
    parts = (re.escape(part) for part in _GAP.split(text)[::2])
    return re.compile("(.*)".join(parts), re.DOTALL)


def _tell_place(where: str, language: str) -> str:
    for kind, pattern in _PLACES.items():
        told = _GAP.sub(r"\\g<1>", labels(language)[f"error.place.{kind}"])
        where = pattern.sub(told, where)
    return where
