"""Texts to numbers, scores as clinics write them included: "4,5", "3½", "4.5/6", "2+2.5"."""

from __future__ import annotations

import re
from collections.abc import Iterable

import numpy as np

_HALVES = {"¼": 0.25, "½": 0.5, "¾": 0.75}
_NUMBER = re.compile(r"([-+−]?)(\d+)(?:([.,])(\d+))?([¼½¾])?")
_UNIT = re.compile(r"\s*(°|deg|degrees|h|hours|hrs|heures|horas|min|minutes)\.?$", re.IGNORECASE)


def read_numbers(texts: Iterable[object], *, decimal: str, highest: float | None) -> np.ndarray:
    """Return the numbers of distinct texts; NaN where one cannot be read.

    Parameters
    ----------
    texts
        Texts, or fractions stored as such.
    decimal
        The declared decimal mark; the other one is taken as such too where three digits do not
        follow, because it can then be no mark of thousands.
    highest
        Highest value of the column: "4.5/6" is read only where the last number is this one.
    """
    return np.array([_read_one(text, decimal, highest) for text in texts], dtype=float)


def _read_one(value: object, decimal: str, highest: float | None) -> float:
    if isinstance(value, float):
        return value
    text = _UNIT.sub("", str(value).strip())
    score, _, of = text.partition("/")
    if of and (highest is None or _read_plain(of, decimal) != highest):
        return np.nan
    parts = re.split(r"(?<=[\d½])\s*\+\s*(?=\d)", score.strip())
    return float(sum(_read_plain(part, decimal) for part in parts))


def _read_plain(text: str, decimal: str) -> float:
    text = text.strip()
    if text in _HALVES:
        return _HALVES[text]
    match = _NUMBER.fullmatch(text.replace(" ", ""))
    if match is None:
        return np.nan
    sign, whole, mark, digits, half = match.groups()
    if mark and (half or (mark != decimal and len(digits) == 3)):
        return np.nan
    number = float(f"{whole}.{digits or 0}") + _HALVES.get(half or "", 0)
    return -number if sign in ("-", "−") else number
