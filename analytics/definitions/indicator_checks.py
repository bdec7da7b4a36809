"""Whether an indicator names what exists and compares what can be compared."""

from __future__ import annotations

import ast
import difflib
from collections.abc import Iterable
from dataclasses import fields
from typing import Any

import pandas as pd

from analytics.definitions import foot_facts
from analytics.definitions.endpoints import ENDPOINTS
from analytics.definitions.foot_facts import FOOT
from analytics.definitions.indicator import Indicator
from analytics.definitions.protocol import Protocol
from analytics.definitions.rules import (
    check_names,
    evaluate,
    find_values,
    names_in,
    parse_rule,
)
from analytics.errors import SettingsError

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

#: A value of each kind, to try a rule on; a number that cannot be taken for yes.
_SAMPLE = {
    "text": "a", "code": "a", "flag": True, "date": "2020-01-01", "number": 2.0, "integer": 2,
}  # fmt: skip


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
        check_one_of("numerator", indicator.numerator, tuple(ENDPOINTS), where)
    elif indicator.kind != "share":
        for name in filter(None, (indicator.numerator, indicator.denominator)):
            _check_number(name, known, protocol, where=where)
    dates = tuple(column.name for column in FOOT if column.kind == "date")
    check_one_of("origin", indicator.origin, ("", *dates), where)
    check_one_of("belongs_on", indicator.belongs_on, dates, where)
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


def check_one_of(key: str, value: Any, allowed: tuple[str, ...], where: str) -> None:
    """Raise ``SettingsError`` with the nearest word when a value is none of the allowed."""
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
        check_one_of("maturity_days", days, windows, where)
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
                check_one_of(f"in the rule '{rule}' {name}", word, _CODES[name], where)


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
