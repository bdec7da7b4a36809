"""The words of codes, and texts from exports made harmless."""

from __future__ import annotations

import re
import unicodedata
from numbers import Real

from analytics.definitions.labels import label, labels
from analytics.display import numbers

#: Columns whose values are quarters or years.
QUARTERS = ("period", "quarter", "quarter_done", "quarter_due")

#: Columns whose values are data: they are shown as they came.
DATA_COLUMNS = ("clinic", "country", "file", "unit", "currency", *QUARTERS)

LONGEST = 200

#: Longest text beside a picture.
LONGEST_IN_FIGURE = 34

_INVISIBLE = ("Cc", "Cf", "Cs", "Co", "Cn", "Zl", "Zp")


def clean(text: object, *, longest: int = LONGEST) -> str:
    """Return a text from an export on one line, without control or direction marks, shortened."""
    return shorten(re.sub(r"\s+", " ", visible(str(text))).strip(), longest)


def visible(text: str) -> str:
    """Return a text without control and direction marks; its lines stay lines."""
    return "".join(c for c in text if c in "\t\r\n" or not is_invisible(c))


def is_invisible(character: str) -> bool:
    """Return whether a character is one that nobody sees: control, direction, format."""
    return unicodedata.category(character) in _INVISIBLE


def shorten(text: str, longest: int) -> str:
    """Return the text, cut with an ellipsis where it is longer."""
    return (
        text if len(text) <= longest else text[: longest - 1].rstrip() + "\N{HORIZONTAL ELLIPSIS}"
    )


def column(name: str, language: str) -> str:
    """Return the words of a column; one carried along from an export keeps its name.

    Raises
    ------
    KeyError
        When a column of ours has no label.
    """
    if name.startswith("extra_"):
        return clean(name.removeprefix("extra_").replace("_", " "))
    return label(language, f"column.{name}")


def column_of(question: str, name: str, language: str) -> str:
    """Return the words of a column under a question, where it means something of its own there.

    Parameters
    ----------
    question
        Name of the question; what stands before its first underscore is its kind.
    name
        Name of the column.
    """
    own = _own_words("column", name, question, language)
    return own or column(name, language)


def axis_of(question: str, scale: str, language: str) -> str:
    """Return the words of an axis under a question, in the same way."""
    return _own_words("axis", scale, question, language) or label(language, f"axis.{scale}")


def _own_words(section: str, name: str, question: str, language: str) -> str:
    known = labels(language)
    asked = (f"{section}.{name}_of_{words}" for words in (question, question.partition("_")[0]))
    return next((known[key] for key in asked if key in known), "")


def measure(code: str, language: str) -> str:
    """Return the words of a measure of ours; any other code as it is."""
    return labels(language).get(f"measure.{code}", clean(code))


def level(name: str, value: object, language: str) -> str:
    """Return the words of a value of a column.

    Raises
    ------
    KeyError
        When a code of ours has no label.
    """
    if value is None or value != value or str(value) in ("", "<NA>"):
        return label(language, "level.unknown")
    if isinstance(value, Real) and not isinstance(value, bool):
        whole = float(value).is_integer()
        return numbers.decimal(float(value), language, places=0 if whole else 1)
    code = str(value)
    known = labels(language)
    if name in ("variable", "measure"):
        return column(code, language) if name == "variable" else measure(code, language)
    for key in (f"level.{name}.{code}", f"level.{code}", f"level.{code.lower()}"):
        is_data = name in DATA_COLUMNS or name.startswith("extra_")
        if key in known and (not is_data or code in ("all", "other_clinics")):
            return known[key]
    if name in QUARTERS:
        return clean(numbers.quarter(code, language))
    if name in DATA_COLUMNS or name.startswith("extra_"):
        return clean(code)
    raise KeyError(f"level.{name}.{code}")


def reason(code: str, language: str) -> str:
    """Return the words of a reason.

    ``<fate>.<rule>`` names what became of a row and the rule, ``missing_<column>`` the column.
    """
    known = labels(language)
    if f"reason.{code}" in known:
        return known[f"reason.{code}"]
    if code in known:
        return known[code]
    if code.startswith("missing_"):
        return label(language, "reason.missing", column=column(code[8:], language))
    fate, _, rule = code.partition(".")
    words = label(language, f"check.{rule}.what").rstrip(".")
    return label(
        language,
        "sentence.reason_by_rule",
        fate=label(language, f"fate.{fate}"),
        what=within(words),
        rule=rule,
    )


def beside(name: str, words: str, language: str) -> str:
    """Return a name and what is said of it, as in ``Clinic: K1``."""
    return label(language, "word.group", name=name, level=words)


def within(words: str) -> str:
    """Return words that begin a line as they stand inside a sentence."""
    return words[:1].lower() + words[1:]


def group(released_groups: tuple[str, ...], values: tuple[object, ...], language: str) -> str:
    """Return the words of one group, its levels joined."""
    pairs = zip(released_groups, values, strict=True)
    return " \N{MIDDLE DOT} ".join(level(name, value, language) for name, value in pairs)


def term(name: str, value: object, reference: object, language: str) -> str:
    """Return what an effect compares: a number per unit, or a level against its reference."""
    known = f"term.{name}"
    words = label(language, known) if known in labels(language) else column(name, language)
    if not has_level(value):
        return words
    return label(
        language,
        "sentence.level_of",
        term=words,
        level=level(name, value, language),
        reference=level(name, reference, language),
    )


def has_level(value: object) -> bool:
    """Return whether an effect is of a level, not of a number."""
    return str(value) not in ("", "<NA>", "nan", "None")
