"""Sentences about a result, from the very frame that figure and table show."""

from __future__ import annotations

from datetime import date
from functools import partial
from numbers import Integral, Real

from analytics.definitions.labels import label, labels
from analytics.display import measures, numbers, terms
from analytics.display.sentences import SENTENCES
from analytics.results import Phrase, PValue, Share
from analytics.sharing.protect import Released

#: Groups that the question itself names.
_NO_SPLIT = ("measure", "whose")

#: Longest alternative text of a figure.
_LONGEST_ALT = 600


def say(phrase: Phrase, language: str, *, months_only: bool = False) -> str:
    """Return a phrase in a language.

    Parameters
    ----------
    phrase
        Its values may be phrases, numbers, dates or texts; None is a withheld count.
    language
        Language of the words.
    months_only
        Whether dates are said as months.
    """
    worded = {
        name: _word(value, language, months_only=months_only)
        for name, value in phrase.values.items()
    }
    return label(language, phrase.key, **worded)


def _word(value: object, language: str, *, months_only: bool) -> str:
    if value is None:
        return label(language, "word.few")
    if isinstance(value, Phrase):
        return say(value, language, months_only=months_only)
    if isinstance(value, tuple):
        return ", ".join(_word(part, language, months_only=months_only) for part in value)
    if isinstance(value, date):
        write = numbers.month if months_only else numbers.day
        return write(value, language)
    if isinstance(value, Real):
        return _number(value, language)
    return terms.clean(value)


def _number(value: Real, language: str) -> str:
    if isinstance(value, Share):
        return numbers.percent_number(value, language)
    if isinstance(value, PValue):
        return numbers.p_value(value, language)
    if isinstance(value, Integral):
        return numbers.count(int(value), language)
    size = abs(float(value))
    places = 1 if size >= 10 else 2 if size >= 0.1 else 3
    return numbers.decimal(float(value), language, places=places)


def title(released: Released, language: str) -> str:
    """Return the question in words, with the groups by which it is split."""
    words = _question(released, language)
    names = [terms.column(n, language) for n in released.groups if n not in _NO_SPLIT]
    if not names:
        return words
    by = ", ".join(map(terms.within, names))
    return label(language, "sentence.title_by", question=words, groups=by)


def _question(released: Released, language: str) -> str:
    """Return the words of the question; one asked of any measure is named after it."""
    context = released.context
    kind, _, measure = context.question.partition("_")
    if f"question.{context.question}" in labels(language) or f"asked.{kind}" not in labels(
        language
    ):
        return label(language, f"question.{context.question}")
    name = measures.name_of(measure, language, context.own_measures)
    return label(language, f"asked.{kind}", measure=name)


def tell(released: Released, language: str) -> tuple[str, ...]:
    """Return what the result says, then whom it counts, how it was made, and until when.

    No sentence claims a change or a difference that the intervals do not support.
    """
    return (*findings(released, language), *basis(released, language))


def findings(released: Released, language: str) -> tuple[str, ...]:
    """Return what the result says."""
    found = SENTENCES[released.shape.name](released, language)
    return found or (why_empty(released, language),)


def why_empty(released: Released, language: str) -> str:
    """Return why a result has no rows: all were withheld, or there were none."""
    withheld = any(note.key == "protect.too_fine" for note in released.notes)
    return label(language, "protect.too_fine" if withheld else "word.nothing")


def notes(released: Released, language: str) -> tuple[str, ...]:
    """Return assumptions and warnings, and what the policy did."""
    speak = partial(say, language=language, months_only=released.policy.months_only)
    return tuple(speak(note) for note in (*released.context.notes, *released.notes))


def alt(released: Released, language: str) -> str:
    """Return the alternative text of the figure: its kind, its title, and what it says."""
    found = findings(released, language)
    kind = released.shape.name
    if kind == "estimates" and released.groups == ("quarter",):
        kind = "estimates_time"
    summary, more = "", label(language, "alt.more")
    for sentence in found:
        if len(summary) + len(sentence) > _LONGEST_ALT:
            break
        summary = f"{summary} {sentence}".strip()
    return label(
        language,
        "alt.figure",
        kind=label(language, f"alt.{kind}"),
        title=title(released, language),
        summary=f"{summary} {more}".strip(),
    )


def basis(released: Released, language: str) -> tuple[str, ...]:
    """Return whom the result counts, how it was made, and until when."""
    context = released.context
    speak = partial(say, language=language, months_only=released.policy.months_only)
    told = [label(language, "sentence.population", population=speak(context.population))]
    sizes = [
        numbers.counted(n, unit, language)
        for n, unit in (
            (context.n_feet, "foot"),
            (context.n_children, "child"),
            (context.n_clinics, "clinic"),
            (context.n_events, "event"),
        )
        if n is not None
    ]
    if sizes:
        told.append(label(language, "sentence.sizes", parts=", ".join(sizes)))
    if context.exclusions:
        parts = ", ".join(_exclusion(key, n, language) for key, n in context.exclusions)
        told.append(label(language, "sentence.excluded", parts=parts))
    told.append(
        label(language, "sentence.cut_off", day=speak(Phrase("word.is", {"day": context.cut_off})))
    )
    told.append(label(language, "sentence.method", method=speak(context.method)))
    if context.reference:
        told.append(label(language, "sentence.reference", reference=context.reference))
    return tuple(told)


def _exclusion(key: str, n: int | None, language: str) -> str:
    words = terms.reason(key, language)
    if n is None:
        return label(language, "sentence.excluded_hidden", reason=words)
    return label(language, "sentence.excluded_part", n=numbers.count(n, language), reason=words)
