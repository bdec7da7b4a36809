"""What stands beside every number: whom it counts, how it was made, when and under what rules."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import pandas as pd

from analytics.courses.cohort import Cohort
from analytics.definitions.fingerprint import fingerprint
from analytics.definitions.indicator import Indicator
from analytics.definitions.indicators import INDICATORS
from analytics.errors import NotEstimableError
from analytics.results import Context, OwnMeasure, Phrase


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


def why_not(error: NotEstimableError) -> Phrase:
    """Return the note that says why something is not estimable, with the counts found."""
    counts = ", ".join(f"{name} {value}" for name, value in error.counts.items())
    reason = Phrase(f"not_estimable.{error.reason}")
    return Phrase("note.not_estimable", {"why": reason, "counts": counts or "-"})


def name_own(context: Context, cohort: Cohort, indicators: Sequence[Indicator]) -> Context:
    """Return the context with the words and the fingerprint of a programme's own indicators."""
    own = tuple(i for i in indicators if INDICATORS.get(i.code) != i)
    return replace(
        context,
        fingerprint=fingerprint(cohort.protocol, own),
        own_measures={i.code: OwnMeasure(i.title, i.unit, i.scale, i.kind) for i in own},
    )
