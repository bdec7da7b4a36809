"""A programme's own indicators and its changes to ours, from tables of its settings file."""

from __future__ import annotations

import ast
import difflib
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, fields, replace
from typing import Any

import pandas as pd

from analytics.definitions import foot_facts
from analytics.definitions.endpoints import ENDPOINTS
from analytics.definitions.foot_facts import FOOT
from analytics.definitions.indicator import Indicator
from analytics.definitions.indicators import HEADLINE, INDICATORS
from analytics.definitions.protocol import Protocol
from analytics.definitions.rules import (
    check_names,
    evaluate,
    find_values,
    names_in,
    parse_rule,
)
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
        "access", "casting", "tenotomy", "brace", "follow_up", "lasting", "records", OWN_AREA,
    ),
}  # fmt: skip
_NUMBERS = ("horizon_days",)
_FLAGS = ("rests_on_follow_up",)
_RULES = ("population", "known", "presumed_no")

#: Words of coded columns of the foot that have no vocabulary of their own.
_CODES = {
    "status": foot_facts.STATUSES,
    "phase": foot_facts.PHASES,
    "series_end": foot_facts.SERIES_ENDS,
    "severity_band": foot_facts.SEVERITY_BANDS,
    "adherence_early": foot_facts.ADHERENCES,
    "correction_rule": foot_facts.CORRECTION_RULES,
    "relapse_rule": foot_facts.RELAPSE_RULES,
} | {column.name: column.allowed for column in FOOT if column.allowed}

#: A value of each kind, to try a rule on.
_SAMPLE = {
    "text": "a", "code": "a", "flag": True, "date": "2020-01-01", "number": 1.0, "integer": 1,
}  # fmt: skip


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
        return tuple(self.indicators[i.code] for i in HEADLINE if i.code in self.indicators)

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


def check_indicator(
    indicator: Indicator, protocol: Protocol, *, where: str, columns: Iterable[str] = ()
) -> None:
    """Raise ``SettingsError`` when a rule, column, endpoint or window does not exist or fit."""
    known = tuple(columns) or tuple(column.name for column in FOOT)
    rules = [getattr(indicator, name) for name in _RULES]
    if indicator.kind == "share":
        rules.append(indicator.numerator)
    for rule in filter(None, rules):
        parse_rule(rule, where=where)
        check_names(rule, known, protocol, where=where)
        _check_words(rule, where)
        _try(rule, known, protocol, where=where)
    if indicator.kind == "curve":
        _check_one_of("numerator", indicator.numerator, tuple(ENDPOINTS), where)
    elif indicator.kind != "share":
        for name in filter(None, (indicator.numerator, indicator.denominator)):
            _check_number(name, known, protocol, where=where)
    dates = tuple(column.name for column in FOOT if column.kind == "date")
    _check_one_of("origin", indicator.origin, ("", *dates), where)
    _check_maturity(indicator, protocol, where)


def find_names(indicator: Indicator) -> list[str]:
    """Return the columns, days and windows that an indicator's rules name, in order."""
    rules = [indicator.population, indicator.known, indicator.presumed_no]
    dates = [indicator.origin]
    if indicator.kind == "curve":
        endpoint = ENDPOINTS[indicator.numerator]
        dates += [endpoint.origin, *endpoint.events, *endpoint.competing, endpoint.until]
    else:
        rules += [indicator.numerator, indicator.denominator]
    found = [name for rule in filter(None, rules) for name in names_in(rule)]
    if isinstance(indicator.maturity_days, str):
        found.append(indicator.maturity_days)
    return list(dict.fromkeys([*found, *filter(None, dates)]))


def _read(code: str, table: Any, *, language: str, where: str) -> Indicator:
    if not isinstance(table, dict):
        raise SettingsError(f"'{code}' is {table!r}", where=where, allowed="a section of lines")
    allowed = ("title", "like", *(f.name for f in fields(Indicator) if f.name != "code"))
    for key in table:
        _check_one_of("a line", key, tuple(dict.fromkeys(allowed)), where)
    given = {key: value for key, value in table.items() if key not in ("title", "like")}
    for key, value in given.items():
        _check_value(key, value, where)
    base = table.get("like", code)
    if "like" in table:
        _check_one_of("like", base, tuple(INDICATORS), where)
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
        _check_one_of(key, value, _CHOICES[key], where)
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


def _check_one_of(key: str, value: Any, allowed: tuple[str, ...], where: str) -> None:
    if value not in allowed:
        near = difflib.get_close_matches(str(value), allowed, n=1)
        raise SettingsError(
            f"{key} is {value!r}",
            where=where,
            allowed=", ".join(filter(None, allowed)),
            todo=f"write '{near[0]}'?" if near else "choose one of these",
        )


def _check_maturity(indicator: Indicator, protocol: Protocol, where: str) -> None:
    days = indicator.maturity_days
    if isinstance(days, str) and not hasattr(protocol, days):
        windows = tuple(f.name for f in fields(protocol))
        _check_one_of("maturity_days", days, windows, where)
    needs = bool(days) or indicator.kind == "curve"
    if needs and not indicator.origin:
        raise SettingsError(
            "the indicator has a maturity but no origin",
            where=where,
            allowed="a date column of the foot",
            todo='add origin = "started_on", or the day it counts from',
        )


def _check_words(rule: str, where: str) -> None:
    """Refuse a word that a coded column never holds: it would count nobody without a sign."""
    for node in ast.walk(parse_rule(rule, where=where)):
        if not isinstance(node, ast.Compare):
            continue
        sides = [node.left, *node.comparators]
        names = [s.id for s in sides if isinstance(s, ast.Name) and s.id in _CODES]
        words = [s.value for s in sides if isinstance(s, ast.Constant) and isinstance(s.value, str)]
        for name in names:
            for word in words:
                _check_one_of(f"in the rule '{rule}' {name}", word, _CODES[name], where)


def _sample(columns: Iterable[str]) -> pd.DataFrame:
    declared = {column.name: column for column in FOOT}
    values = {}
    for name in columns:
        column = declared.get(name)
        kind, dtype = (column.kind, column.dtype) if column else ("text", "string")
        values[name] = pd.Series([_SAMPLE[kind]]).astype(dtype)
    return pd.DataFrame(values)


def _try(rule: str, columns: Iterable[str], protocol: Protocol, *, where: str) -> None:
    """Refuse a rule that compares what cannot be compared, such as a date with a number."""
    try:
        evaluate(rule, _sample(columns), protocol)
    except (TypeError, ValueError) as error:
        raise SettingsError(
            f"the rule '{rule}' cannot be worked out: {str(error).splitlines()[0]}",
            where=where,
            allowed="numbers with numbers, words with words, days_<first>_to_<second> for dates",
            todo="compare things of one kind",
        ) from None


def _check_number(name: str, columns: Iterable[str], protocol: Protocol, *, where: str) -> None:
    check_names(f"{name} != missing", columns, protocol, where=where)
    try:
        is_number = find_values(name, _sample(columns)).dtype.kind in "iuf"
    except KeyError:
        is_number = False
    if not is_number:
        raise SettingsError(
            f"'{name}' is no number",
            where=where,
            allowed="a column of numbers or days_<first>_to_<second>",
            todo="'talipes cohort' writes a dictionary of all columns",
        )
