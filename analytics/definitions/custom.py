"""A programme's own indicators and its changes to ours, from tables of its settings file."""

from __future__ import annotations

import difflib
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, fields, replace
from typing import Any

from analytics.definitions.foot_facts import FOOT
from analytics.definitions.indicator import Indicator
from analytics.definitions.indicator_checks import check_indicator, check_one_of
from analytics.definitions.indicators import COMPARED, HEADLINE, INDICATORS, OWN_NUMBERS
from analytics.definitions.protocol import Protocol
from analytics.errors import SettingsError

#: Where an indicator stands that names no area.
OWN_AREA = "own"

_CHOICES: dict[str, tuple[str, ...]] = {
    "kind": ("share", "ratio", "spread", "curve"),
    "unit": ("foot", "child"),
    "child_is": ("any", "all"),
    "better": ("higher", "lower", "neither"),
    "scale": ("percent", "per_100", "casts", "days"),
    "reading": ("kaplan_meier", "aalen_johansen"),
    "area": (
        "mix", "access", "casting", "tenotomy", "brace", "follow_up", "lasting", "records",
        OWN_AREA,
    ),
}  # fmt: skip
_NUMBERS = ("horizon_days",)
_FLAGS = ("rests_on_follow_up",)


@dataclass(frozen=True)
class Catalogue:
    """The indicators in force.

    Parameters
    ----------
    indicators
        By code: ours, as the programme changed them, then its own.
    faults
        What was wrong with those of the settings file that are left out: a faulty change takes
        the indicator out, since the programme did not want ours.
    """

    indicators: Mapping[str, Indicator]
    faults: tuple[SettingsError, ...] = ()

    @property
    def changed(self) -> tuple[Indicator, ...]:
        """Return the indicators that are not ours as they stand."""
        return tuple(i for i in self.indicators.values() if INDICATORS.get(i.code) != i)

    @property
    def headline(self) -> tuple[Indicator, ...]:
        """Return what every quarterly report begins with, as far as it is in force."""
        return self._in_force(HEADLINE)

    @property
    def compared(self) -> tuple[Indicator, ...]:
        """Return what quarters and clinics are compared by, as far as it is in force."""
        return self._in_force(COMPARED)

    @property
    def own_numbers(self) -> tuple[Indicator, ...]:
        """Return what a clinic sees of itself beside the network, as far as it is in force."""
        return self._in_force(OWN_NUMBERS)

    def _in_force(self, wanted: Iterable[Indicator]) -> tuple[Indicator, ...]:
        return tuple(self.indicators[i.code] for i in wanted if i.code in self.indicators)

    def in_area(self, area: str) -> tuple[Indicator, ...]:
        """Return the indicators of one part of the pathway, in order."""
        return tuple(i for i in self.indicators.values() if i.area == area)

    def get(self, code: str) -> Indicator:
        """Return one indicator; raises ``SettingsError`` when there is none of that code."""
        if code in self.indicators:
            return self.indicators[code]
        for fault in self.faults:
            if fault.where.endswith(f"[indicator.{code}]"):
                raise fault
        near = difflib.get_close_matches(code, self.indicators, n=3)
        raise SettingsError(
            f"there is no indicator called '{code}'",
            allowed=f"close to it: {', '.join(near)}" if near else ", ".join(self.indicators),
            todo="'talipes define' without a code lists them all",
        )


def build_catalogue(
    tables: Mapping[str, Any],
    protocol: Protocol,
    *,
    where: str,
    columns: Iterable[str] = (),
    language: str = "en",
) -> Catalogue:
    """Return our indicators with a programme's changes and additions.

    Parameters
    ----------
    tables
        Code to the fields that differ: those of ``Indicator``, ``title`` (a text, or one by
        language) and ``like`` (the code of one of ours to begin from).
    protocol
        Windows in force.
    where
        The settings file, for messages.
    columns
        Columns of the foot that rules may name besides the declared ones (``extra_...``).
    language
        Whose title is taken.
    """
    known = [*(column.name for column in FOOT), *columns]
    found, faults = dict(INDICATORS), []
    for code, table in tables.items():
        place = f"{where}, [indicator.{code}]"
        try:
            indicator = _read(str(code), table, language=language, where=place)
            check_indicator(indicator, protocol, where=place, columns=known)
            found[str(code)] = indicator
        except SettingsError as fault:
            found.pop(str(code), None)
            faults.append(fault)
    return Catalogue(found, tuple(faults))


def _read(code: str, table: Any, *, language: str, where: str) -> Indicator:
    if not isinstance(table, dict):
        raise SettingsError(f"'{code}' is {table!r}", where=where, allowed="a section of lines")
    allowed = ("title", "like", *(f.name for f in fields(Indicator) if f.name != "code"))
    for key in table:
        check_one_of("a line", key, tuple(dict.fromkeys(allowed)), where)
    given = {key: value for key, value in table.items() if key not in ("title", "like")}
    for key, value in given.items():
        _check_value(key, value, where)
    base = table.get("like", code)
    if "like" in table:
        check_one_of("like", base, tuple(INDICATORS), where)
    if base not in INDICATORS and "numerator" not in given:
        raise SettingsError(
            "the indicator has no numerator",
            where=where,
            allowed=f"a rule, or the code of one of ours: {', '.join(INDICATORS)}",
            todo="add numerator = '...' or like = '...'",
        )
    start = INDICATORS.get(base, Indicator(code, OWN_AREA, ""))
    title = _title(table.get("title", ""), language, where)
    if not title and code not in INDICATORS:
        raise SettingsError(
            "the indicator has no title", where=where, todo='add title = "..." for its readers'
        )
    return replace(start, code=code, title=title or start.title, **given)


def _title(value: Any, language: str, where: str) -> str:
    if isinstance(value, dict):
        value = value.get(language) or value.get("en") or next(iter(value.values()), "")
    if not isinstance(value, str):
        raise SettingsError(f"'title' is {value!r}", where=where, allowed="a text in double quotes")
    return value


def _check_value(key: str, value: Any, where: str) -> None:
    if key in _CHOICES:
        check_one_of(key, value, _CHOICES[key], where)
        return
    if key in _FLAGS:
        fits, allowed = isinstance(value, bool), "true or false"
    elif key in _NUMBERS or (key == "maturity_days" and not isinstance(value, str)):
        fits = isinstance(value, int) and not isinstance(value, bool) and value >= 0
        allowed = "a whole number of days"
    else:
        fits, allowed = isinstance(value, str), "a text in quotes"
    if not fits:
        raise SettingsError(f"'{key}' is {value!r}", where=where, allowed=allowed, todo="write it")
