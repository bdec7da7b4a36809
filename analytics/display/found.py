"""What a check found, in words: from "days_unseen=40, brace_hours=30" to a sentence of people."""

from __future__ import annotations

import re

from analytics.definitions.columns import TABLES
from analytics.definitions.labels import label, labels
from analytics.display import numbers

#: Canonical column to the vocabulary of its codes.
_VOCABULARIES = {
    column.name: column.vocabulary
    for columns in TABLES.values()
    for column in columns
    if column.vocabulary
}
_FLAGS = {c.name for columns in TABLES.values() for c in columns if c.kind == "flag"}
_MISSING = re.compile(r"((?:\w+, )*\w+) missing")
_PART = re.compile(r"(\w+)=(.*?)(?=, \w+=|$)")
_VEILED = re.compile(r"\(text of (\d+) signs\)")
_NUMBER = re.compile(r"-?\d+(?:\.\d+)?")


def tell_found(found: str, language: str) -> str:
    """Return what a check found in the words of a language.

    Parameters
    ----------
    found
        As the ledger has it: "name=value" joined by commas, or "names missing".
    language
        Language of the words.
    """
    lacking = _MISSING.fullmatch(found)
    if lacking:
        names = ", ".join(name_column(name, language) for name in lacking[1].split(", "))
        return label(language, "seen.missing", names=names)
    parts = (_tell_part(name, value.strip(), language) for name, value in _PART.findall(found))
    return "; ".join(part for part in parts if part)


def name_column(name: str, language: str) -> str:
    """Return the words of a canonical column; those of an own one as they are."""
    return labels(language).get(f"record.{name}", name)


def _tell_part(name: str, value: str, language: str) -> str:
    known = labels(language)
    if f"seen.{name}_{value}" in known:
        return known[f"seen.{name}_{value}"]
    if not value or (name, value) == ("older_version", "no"):
        return ""
    told = " / ".join(_tell_value(name, part, language) for part in value.split(" / "))
    if f"seen.{name}" in known:
        return label(language, f"seen.{name}", value=told)
    return label(language, "seen.value", name=name_column(name, language), value=told)


def _tell_value(name: str, value: str, language: str) -> str:
    known = labels(language)
    veiled = _VEILED.fullmatch(value)
    if veiled:
        return label(language, "seen.veiled", n=veiled[1])
    if value == "missing":
        return known["seen.none"]
    if name == "field":
        return name_column(value, language)
    if name in _FLAGS:
        return known.get(f"code.yes_no.{'yes' if value == 'True' else 'no'}", value)
    if name != "year" and _NUMBER.fullmatch(value):
        places = len(value.partition(".")[2])
        return numbers.decimal(float(value), language, places=places)
    return known.get(f"code.{_VOCABULARIES.get(name, '')}.{value}", value)
