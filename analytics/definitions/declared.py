"""English words that definitions say of themselves, as labels that other languages translate."""

from __future__ import annotations

from dataclasses import fields
from functools import cache

from analytics.definitions.burden import Burden
from analytics.definitions.foot_facts import FOOT
from analytics.definitions.hypotheses import STUDY_COLUMNS
from analytics.definitions.indicators import INDICATORS
from analytics.definitions.protocol import Protocol


@cache
def declared_words() -> dict[str, str]:
    """Return ``fact.<column>``, ``window.<name>``, ``measured.<unit>`` and ``said.<text>``.

    What an indicator or a published number says in words (range, source, unit) is keyed by the
    very text, so that a changed text is a missing translation.
    """
    words = {f"fact.{column.name}": column.meaning for column in (*FOOT, *STUDY_COLUMNS)}
    for window in fields(Protocol):
        words[f"window.{window.name}"] = window.metadata["reason"]
        words[f"measured.{window.metadata['unit']}"] = window.metadata["unit"]
    said = [text for i in INDICATORS.values() for text in (i.reference, i.source)]
    published = [getattr(Burden(), field.name) for field in fields(Burden)]
    said += [text for number in published for text in (number.unit, number.source)]
    return words | {f"said.{text}": text for text in said if text}
