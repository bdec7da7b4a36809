"""Spending of a settings file: one section for each period."""

from __future__ import annotations

import calendar
import re
from datetime import date
from typing import Any

from analytics.definitions.burden import Spending
from analytics.errors import SettingsError
from analytics.reports.setting_values import needed, text

_PERIOD = re.compile(r"(\d{4})(?:Q([1-4]))?")


def read_spending(tables: Any, where: str) -> tuple[Spending, ...]:
    """Return what a programme spent, one line per section ``[[spending]]``.

    Raises
    ------
    SettingsError
        When a period is no year or quarter, a currency no code, or an amount not above zero.
    """
    if not isinstance(tables, list):
        raise SettingsError(
            f"'spending' is {tables!r}",
            where=where,
            allowed="sections with period, currency and amount",
            todo="write [[spending]] on its own line, with double brackets",
        )
    lines = tuple(_read(table, where) for table in tables)
    keys = [(line.period, line.currency) for line in lines]
    if twice := [key for key in keys if keys.count(key) > 1]:
        raise SettingsError(
            f"spending is stated twice for {' '.join(twice[0])}",
            where=where,
            allowed="one amount per period and currency",
            todo="add the amounts up",
        )
    return lines


def _read(table: dict[str, Any], where: str) -> Spending:
    period = str(needed(table, "period", where))
    match = _PERIOD.fullmatch(period)
    if match is None:
        raise SettingsError(
            f"'period' is {period!r}",
            where=where,
            allowed='a year or a quarter, such as "2025" or "2025Q3"',
            todo="correct the period",
        )
    currency = text(needed(table, "currency", where), "currency", where)
    if not re.fullmatch("[A-Z]{3}", currency):
        raise SettingsError(
            f"'currency' is {currency!r}",
            where=where,
            allowed="the three letters of ISO 4217, such as USD",
            todo="correct the currency",
        )
    amount = needed(table, "amount", where)
    if isinstance(amount, bool) or not isinstance(amount, int | float) or not amount > 0:
        raise SettingsError(
            f"'amount' is {amount!r}",
            where=where,
            allowed="a number above 0, without quotes and separators",
            todo="correct the amount",
        )
    first, last = _days(int(match[1]), int(match[2]) if match[2] else None)
    return Spending(period, first, last, currency, float(amount))


def _days(year: int, quarter: int | None) -> tuple[date, date]:
    if quarter is None:
        return date(year, 1, 1), date(year, 12, 31)
    month = 3 * quarter
    return date(year, month - 2, 1), date(year, month, calendar.monthrange(year, month)[1])
