"""Numbers, dates and intervals as a reader of a language expects them."""

from __future__ import annotations

import math
import re
from datetime import date
from functools import cache

from babel import Locale
from babel.numbers import format_decimal

from analytics.definitions.labels import label

#: Where the language alone would give another order of day and month than readers expect.
_LOCALES = {"en": "en_GB"}

DASH = "\N{EN DASH}"
DAYS_IN_YEAR = 365.25
_MONTHS_IN_YEAR = 12

#: With one decimal place a smaller share would be written as 0.0%, and its complement as 100.0%.
_LEAST_SHOWN = 0.0005

#: Nearer to nothing or to all than this is an error of arithmetic.
_ALMOST = 1e-9


def locale_of(language: str) -> str:
    """Return the locale by whose customs a language's numbers and dates are written."""
    return _LOCALES.get(language, language)


def count(value: int, language: str) -> str:
    """Return a whole number with its thousands set apart."""
    return str(format_decimal(int(value), locale=locale_of(language)))


def decimal(value: float, language: str, *, places: int = 1) -> str:
    """Return a number with a fixed number of decimal places."""
    pattern = "#,##0" + ("." + "0" * places if places else "")
    rounded = round(float(value), places) + 0.0
    return str(format_decimal(rounded, format=pattern, locale=locale_of(language)))


def percent(value: float, language: str) -> str:
    """Return a share (0 to 1) as a percentage with one decimal place.

    A share that is not quite nothing or not quite all is not written as if it were.
    """
    return _percent_frame(language).replace("0", percent_number(value, language), 1)


def percent_number(value: float, language: str) -> str:
    """Return the number of a percentage without its sign, as in ``72.4`` or ``>99.9``."""
    if _ALMOST < value < _LEAST_SHOWN:
        return f"<{decimal(100 * 2 * _LEAST_SHOWN, language)}"
    if 1 - _LEAST_SHOWN <= value < 1 - _ALMOST:
        return f">{decimal(100 * (1 - 2 * _LEAST_SHOWN), language)}"
    return decimal(100 * value, language)


def whole_percent(value: float, language: str) -> str:
    """Return a share (0 to 1) as a percentage without decimal places."""
    return _percent_frame(language).replace("0", decimal(100 * value, language, places=0), 1)


def stepped_percent(value: float, language: str) -> str:
    """Return a share that was given in steps; at either end a few may stand on the other side."""
    if value < _ALMOST:
        return label(language, "word.nearly_none")
    if value > 1 - _ALMOST:
        return label(language, "word.nearly_all")
    return whole_percent(value, language)


def plain(value: float, language: str) -> str:
    """Return a number with as few decimal places as say it, at most three."""
    for places in (0, 1, 2):
        if abs(value - round(value, places)) < 1e-9:
            return decimal(value, language, places=places)
    return decimal(value, language, places=3)


@cache
def _percent_frame(language: str) -> str:
    """Return how a percentage is written, with 0 in place of the number."""
    pattern = Locale.parse(locale_of(language)).percent_formats[None].pattern
    return re.sub(r"[#,.0]+", "0", pattern)


def interval(lower: str, upper: str) -> str:
    """Return two written limits as one range."""
    return f"{lower}{DASH}{upper}"


def ratio(value: float, language: str) -> str:
    """Return a ratio with about three figures that count.

    One that is not quite 1 gets up to two more, so that it is not written as if it were.
    """
    places = next(p for least, p in ((100, 0), (10, 1), (0.1, 2), (0.0, 3)) if value >= least)
    if abs(value - 1) > _ALMOST:
        places = next((p for p in (places, 3, 4) if round(value, p) != 1), 4)
    return decimal(value, language, places=places)


def rounded(value: float, language: str) -> str:
    """Return a number to three figures, as in ``3,260`` or ``22.5``: more would claim too much."""
    digits = 2 - math.floor(math.log10(abs(value))) if value else 0
    return decimal(round(value, digits), language, places=min(max(digits, 0), 3))


def p_value(value: float, language: str) -> str:
    """Return a p-value; below 0.001 only that is said."""
    if value < 0.001:
        return f"< {decimal(0.001, language, places=3)}"
    return decimal(value, language, places=3 if value < 0.1 else 2)


def day(value: date, language: str) -> str:
    """Return a date with its month in words."""
    number = label(language, "period.first") if value.day == 1 else value.day
    return label(language, "period.day", day=number, month=_month(value, language), year=value.year)


def month(value: date, language: str) -> str:
    """Return the month of a date, in our own words."""
    return label(language, "period.month", month=_month(value, language), year=value.year)


def _month(value: date, language: str) -> str:
    return label(language, f"month.{value.month}")


def quarter(code: str, language: str) -> str:
    """Return a quarter written as 2024Q1 in words; another text stays as it is."""
    found = re.fullmatch(r"(\d{4})-?Q([1-4])", code)
    if not found:
        return code
    return label(language, "period.quarter", year=found[1], quarter=found[2])


def units(value: int | None, unit: str, language: str) -> str:
    """Return the word for so many of a unit, by the plural rule of the language; None is many."""
    category = "other" if value is None else plural_category(value, language)
    return label(language, f"unit.{unit}.{category}")


@cache
def plural_category(value: int, language: str) -> str:
    """Return ``one`` or ``other``; French and Portuguese count nought among the first.

    Where a language has a category for millions besides, its words are those of ``other``.
    """
    category = str(Locale.parse(locale_of(language)).plural_form(value))
    return category if category == "one" else "other"


def counted(value: int, unit: str, language: str) -> str:
    """Return a count with its unit, as in ``1 foot`` or ``3,046 feet``."""
    return f"{count(value, language)} {units(value, unit, language)}"


def duration(days: float, language: str) -> str:
    """Return a stretch of time in the largest unit in which it is nearly whole."""
    years = days / DAYS_IN_YEAR
    months = years * _MONTHS_IN_YEAR
    for unit, number in (("year", years), ("month", months)):
        whole = round(number)
        if whole and abs(number - whole) * DAYS_IN_YEAR / (1 if unit == "year" else 12) <= 1.5:
            return counted(whole, unit, language)
    if months >= 3:
        places = 1 if months < 24 else 0
        return f"{decimal(months, language, places=places)} {units(None, 'month', language)}"
    return counted(round(days), "day", language)
