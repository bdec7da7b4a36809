"""Ages as clinics write them, in any unit, to a birth date of known precision."""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
import pandas as pd

from analytics.intake.frames import Columns, with_columns
from analytics.intake.texts import categorise, coded_column, from_codes, repeat_text, stack_texts

#: Unit to its length in days, and to the words for it in English, French, Spanish, Portuguese.
_UNITS: dict[str, tuple[float, str]] = {
    "days": (1.0, "d|days?|jours?|j|d[ií]as?"),
    "weeks": (7.0, "w|wks?|weeks?|semaines?|sem|semanas?"),
    "months": (30.4375, "m|mo|mos|mths?|months?|mois|mes|m[eê]s|meses"),
    "years": (365.25, "y|yrs?|years?|ans?|ann[ée]es?|a[ñn]os?|a"),
}
UNITS = tuple(_UNITS)
_PRECISION = {"days": "day", "weeks": "month", "months": "month", "years": "year"}

#: Common shorthand of clinics: 6/52 is six weeks, 3/12 three months, 2/7 two days.
_PARTS = {"52": "weeks", "12": "months", "7": "days"}
_NUMBER = r"(\d+(?:[.,]\d+)?)"


@dataclass(frozen=True)
class Ages:
    """Ages read from texts.

    Parameters
    ----------
    days
        Age in days; NaN where it cannot be read. A completed unit counts with half of one more,
        which is its middle.
    precision
        "day", "month" or "year".
    """

    days: np.ndarray
    precision: np.ndarray


def read_ages(texts: Iterable[object], *, unit: str) -> Ages:
    """Return the ages of distinct texts.

    Parameters
    ----------
    texts
        Texts such as "6 weeks", "1y 3m", "6/52", "18".
    unit
        Unit of a number that stands alone; empty where such a number cannot be read.
    """
    read = [_read_one(str(text).strip().casefold(), unit) for text in texts]
    return Ages(
        np.array([days for days, _ in read], dtype=float),
        np.array([precision for _, precision in read], dtype=object),
    )


def _read_one(text: str, unit: str) -> tuple[float, str]:
    shorthand = re.fullmatch(r"(\d{1,2})/(52|12|7)", text)
    if shorthand:
        return _sum([(shorthand.group(1), _PARTS[shorthand.group(2)])])
    if re.fullmatch(_NUMBER, text):
        return _sum([(text, unit)]) if unit else (np.nan, "")
    found, rest = [], text
    for name, (_, words) in reversed(_UNITS.items()):
        match = re.match(rf"{_NUMBER}\s*(?:{words})\b\.?\s*(?:,|and|et|y|e)?\s*", rest)
        if match:
            found.append((match.group(1), name))
            rest = rest[match.end() :]
    return _sum(found) if found and not rest else (np.nan, "")


def _sum(parts: list[tuple[str, str]]) -> tuple[float, str]:
    days = sum(float(number.replace(",", ".")) * _UNITS[unit][0] for number, unit in parts)
    number, smallest = parts[-1]
    is_completed = smallest != "days" and "." not in number.replace(",", ".")
    half = _UNITS[smallest][0] / 2 if is_completed else 0.0
    return days + half, _PRECISION[smallest]


def derive_births(children: pd.DataFrame) -> tuple[pd.DataFrame, Columns]:
    """Return children with missing birth dates filled from their ages, and what was filled.

    Parameters
    ----------
    children
        Merged children with ``seq, birth_on, birth_precision, birth_from_age,
        precision_from_age``.

    Returns
    -------
    children
        The same rows in the same order.
    amended
        ``seq, table, column, before, after, rule``.
    """
    birth, precision = children["birth_on"].array, children["birth_precision"].array
    told, told_precision = (children[f"{name}_from_age"].array for name in ("birth", "precision"))
    at = np.flatnonzero(birth.isna() & ~told.isna())
    if len(at):
        birth, precision = birth.copy(), coded_column(children["birth_precision"])
        birth[at] = told.take(at)
        precision = _overwrite(precision, at, coded_column(pd.Series(told_precision.take(at))))
    amended = {
        "seq": children["seq"].to_numpy()[at],
        "table": repeat_text("children", len(at)),
        "column": repeat_text("birth_on", len(at)),
        "before": repeat_text("", len(at)),
        "after": categorise(told.take(at).strftime("%Y-%m-%d")),
        "rule": repeat_text("age", len(at)),
    }
    return with_columns(children, birth_on=birth, birth_precision=precision), amended


def _overwrite(texts: pd.Categorical, at: np.ndarray, others: pd.Categorical) -> pd.Categorical:
    """Return the texts with other ones at some places."""
    both = stack_texts([texts, others])
    codes = both.codes[: len(texts)].copy()
    codes[at] = both.codes[len(texts) :]
    return from_codes(codes, both.categories)
