"""What stands beside every number: whom it counts, how it was made, when and under what rules."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import pandas as pd

from analytics.courses.cohort import Cohort
from analytics.definitions.fingerprint import fingerprint
from analytics.definitions.indicator import Indicator
from analytics.definitions.indicators import INDICATORS
from analytics.definitions.labels import labels
from analytics.errors import NotEstimableError
from analytics.results import Context, OwnMeasure, Phrase

#: What an error names that is a column, not a count.
_NAMES = ("covariate", "column")


@dataclass(frozen=True)
class Method:
    """How numbers were made: words, citation, and notes on what they assume."""

    words: Phrase
    reference: str = ""
    notes: tuple[Phrase, ...] = ()


def describe(
    cohort: Cohort,
    question: str,
    feet: pd.DataFrame,
    *,
    method: Method,
    unit: str = "foot",
) -> Context:
    """Return the context of a result about these feet.

    Parameters
    ----------
    cohort
        Where the feet come from.
    question
        Name of the question; its words are the labels ``question.<name>`` and
        ``population.<name>``.
    feet
        The feet analysed.
    method
        How the numbers were made.
    unit
        What one count is.
    """
    return Context(
        question=question,
        population=Phrase(f"population.{question}"),
        unit=unit,
        cut_off=cohort.cut_off,
        method=method.words,
        reference=method.reference,
        n_feet=len(feet),
        n_children=int(feet["child"].nunique()),
        n_clinics=int(feet["clinic"].nunique()),
        notes=method.notes,
        fingerprint=fingerprint(cohort.protocol),
    )


def why_not(error: NotEstimableError, groups: tuple[Phrase, ...] = ()) -> Phrase:
    """Return the note that says why something is not estimable, with the counts found.

    Parameters
    ----------
    error
        What a statistic refused.
    groups
        Words of the group it was refused for, where there are groups.
    """
    counts = tuple(_found(n, v) for n, v in error.counts.items() if f"found.{n}" in labels("en"))
    why = Phrase(f"not_estimable.{error.reason}")
    note = Phrase("note.not_estimable", {"why": why, "counts": counts})
    if not counts:
        note = Phrase("note.not_estimable_why", {"why": why})
    return Phrase("note.of_group", {"group": groups, "note": note}) if groups else note


def without_repeats(notes: Sequence[Phrase]) -> tuple[Phrase, ...]:
    """Return notes in order, each once."""
    return tuple(note for at, note in enumerate(notes) if note not in notes[:at])


def _found(name: str, value: object) -> Phrase:
    """Return what was there in words; only names that begin with ``n_`` are withheld when small."""
    if name == "covariates":
        return Phrase(f"found.{name}", {name: tuple(map(_term, str(value).split(", ")))})
    return Phrase(f"found.{name}", {name: _term(str(value)) if name in _NAMES else value})


def _term(name: str) -> Phrase | str:
    """Return the words of a column of a design, ``term`` or ``term:level``."""
    term, _, level = name.partition(":")
    known = labels("en")
    words = next((Phrase(k) for k in (f"term.{term}", f"column.{term}") if k in known), term)
    if f"level.{level}" not in known:
        return words
    return Phrase("word.group", {"name": words, "level": Phrase(f"level.{level}")})


def name_own(context: Context, cohort: Cohort, indicators: Sequence[Indicator]) -> Context:
    """Return the context with the words and the fingerprint of a programme's own indicators."""
    own = tuple(i for i in indicators if INDICATORS.get(i.code) != i)
    return replace(
        context,
        fingerprint=fingerprint(cohort.protocol, own),
        own_measures={i.code: OwnMeasure(i.title, i.unit, i.scale, i.kind) for i in own},
    )
