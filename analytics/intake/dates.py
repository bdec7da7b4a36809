"""Texts to dates, by declared formats only."""

from __future__ import annotations

import re
import unicodedata
from dataclasses import dataclass, replace
from datetime import date
from typing import TypeAlias

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc

from analytics.intake.map_types import DateSettings

#: A year outside these is another calendar or a slip of the hand.
EARLIEST_YEAR, LATEST_YEAR = 1900, 2100

#: Years of the calendar that can be computed with, for dates that stand for missing.
LAST_YEAR = 9999

_TOKENS = {
    "YYYY": r"(?P<y>\d{4})",
    "YY": r"(?P<y2>\d{2})",
    "MON": r"(?P<mon>[^\W\d_]{3,10})\.?",
    "MM": r"(?P<m>\d{1,2})",
    "DD": r"(?P<d>\d{1,2})",
    "HH": r"\d{1,2}",
    "mm": r"\d{2}",
    "ss": r"\d{2}(?:\.\d+)?",
}
_TIME = r"(?:[T ]+\d{1,2}:\d{2}(?::\d{2}(?:\.\d+)?)?Z?)?"

#: First letters of the months in English, French, Spanish and Portuguese, without accents.
_MONTHS = (
    ("jan", "ene"), ("feb", "fev"), ("mar",), ("apr", "avr", "abr"), ("may", "mai"),
    ("jun", "juin"), ("jul", "juil"), ("aug", "aou", "ago"), ("sep", "set"), ("oct", "out"),
    ("nov",), ("dec", "dez", "dic"),
)  # fmt: skip

#: Day number 0 of the two spreadsheet calendars, right from March 1900 on.
_SERIAL_ORIGINS = {1900: np.datetime64("1899-12-30"), 1904: np.datetime64("1904-01-01")}


@dataclass(frozen=True)
class Dates:
    """Dates read from texts.

    Parameters
    ----------
    days
        One datetime64[D] for each text; NaT where it cannot be read.
    precision
        "day", "month" or "year" for each text.
    """

    days: np.ndarray
    precision: np.ndarray


def read_dates(texts: np.ndarray, formats: tuple[str, ...], settings: DateSettings) -> Dates:
    """Return the dates of distinct texts; the first format that fits is taken.

    Parameters
    ----------
    texts
        Texts, or dates stored as such, which need no format.
    formats
        Formats in the order of trying.
    settings
        Two-digit years and spreadsheet serials.
    """
    dates = read_all_dates(texts, formats, settings)
    year = dates.days.astype("datetime64[Y]").astype("int64") + 1970
    likely = (year >= EARLIEST_YEAR) & (year <= LATEST_YEAR)
    return replace(dates, days=np.where(likely, dates.days, np.datetime64("NaT")))


def read_all_dates(texts: np.ndarray, formats: tuple[str, ...], settings: DateSettings) -> Dates:
    """Return the dates of distinct texts, of any year; see ``read_dates``."""
    days = np.full(len(texts), np.datetime64("NaT"), dtype="datetime64[D]")
    precision = np.full(len(texts), "day", dtype=object)
    stored = np.array([isinstance(text, date) for text in texts], dtype=bool)
    if stored.any():
        days[stored] = np.array(list(texts[stored]), dtype="datetime64[D]")
    plain = np.array([*(str(text).strip() for text in texts), ""], dtype=object)[:-1]
    for layout in formats:
        open_ = np.flatnonzero(np.isnat(days))
        found = _read_one_format(plain[open_], layout, settings.two_digit_years_from)
        days[open_] = found
        fits = open_[~np.isnat(found)]
        precision[fits] = "day" if "DD" in layout else "month" if "M" in layout else "year"
    if settings.serials:
        open_ = np.flatnonzero(np.isnat(days))
        days[open_] = _read_serials(pd.Series(plain[open_]), settings.serials)
    return Dates(days, precision)


def _read_one_format(texts: np.ndarray, layout: str, first_year: int) -> np.ndarray:
    pattern = re.sub(
        "|".join(_TOKENS), lambda token: f"\0{token.group()}\0", re.escape(layout)
    )  # tokens are marked first, so that the letters of one are not read as another
    for token, expression in _TOKENS.items():
        pattern = pattern.replace(f"\0{token}\0", expression)
    parts = _take_apart(re.compile(f"^{pattern}{_TIME}$"), texts)
    year = _numbers(parts.get("y"), len(texts), np.nan)
    if "y2" in parts:
        year = _numbers(parts["y2"], len(texts), np.nan)
        year = first_year + (year - first_year) % 100
    month = _months(parts["mon"]) if "mon" in parts else _numbers(parts.get("m"), len(texts), 1)
    return _make_days(year, month, _numbers(parts.get("d"), len(texts), 1))


#: One part of each text; None where the pattern does not fit.
_Part: TypeAlias = "list[str | None] | pa.Array"


def _take_apart(pattern: re.Pattern[str], texts: np.ndarray) -> dict[str, _Part]:
    """Return the named parts of texts."""
    if all(map(str.isascii, texts)):  # of other signs Arrow knows no digit and no letter
        found = pc.extract_regex(pa.array(texts, pa.string()), pattern.pattern)
        return {name: pc.struct_field(found, name) for name in pattern.groupindex}
    matches = [pattern.search(text) for text in texts]
    return {
        name: [None if match is None else match[name] for match in matches]
        for name in pattern.groupindex
    }


def _numbers(part: _Part | None, n: int, default: float) -> np.ndarray:
    if part is None:
        return np.full(n, default, dtype=float)
    if isinstance(part, pa.Array):
        return part.cast(pa.float64()).to_numpy(zero_copy_only=False)
    return np.array([np.nan if digits is None else int(digits) for digits in part], dtype=float)


def _months(texts: _Part) -> np.ndarray:
    starts = {start: number for number, all_ in enumerate(_MONTHS, start=1) for start in all_}
    names = pd.Series(texts.to_pylist() if isinstance(texts, pa.Array) else texts, dtype=object)
    plain = names.map(_without_accents, na_action="ignore").astype("string").str.casefold()
    longer = plain.str[:4].map(starts)
    shorter = plain.str[:3].map(starts)
    return longer.fillna(shorter).to_numpy(dtype=float, na_value=np.nan)


def _without_accents(text: str) -> str:
    return "".join(c for c in unicodedata.normalize("NFD", text) if not unicodedata.combining(c))


def _make_days(year: np.ndarray, month: np.ndarray, day: np.ndarray) -> np.ndarray:
    """Return the days of the calendar; NaT where there is no such day."""
    possible = (
        (year >= 1) & (year <= LAST_YEAR) & (month >= 1) & (month <= 12)
        & (day >= 1) & (day <= 31)
    )  # fmt: skip
    months = np.where(possible, (year - 1970) * 12 + month - 1, 0).astype("int64")
    first = months.astype("datetime64[M]").astype("datetime64[D]")
    days = first + np.where(possible, day - 1, 0).astype("timedelta64[D]")
    possible &= days.astype("datetime64[M]").astype("int64") == months
    return np.where(possible, days, np.datetime64("NaT"))


def _read_serials(texts: pd.Series, epoch: int) -> np.ndarray:
    parts = texts.str.extract(r"^(\d{4,6})(?:\.\d+)?$")[0]
    numbers = pd.to_numeric(parts).to_numpy(dtype=float)
    possible = ~np.isnan(numbers) & (numbers > 365)
    days = _SERIAL_ORIGINS[epoch] + np.where(possible, numbers, 0).astype("timedelta64[D]")
    year = days.astype("datetime64[Y]").astype("int64") + 1970
    return np.where(possible & (year <= LATEST_YEAR), days, np.datetime64("NaT"))
