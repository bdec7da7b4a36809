"""An indicator as text: the very rule that counts, with the values of its windows."""

from __future__ import annotations

import textwrap
from collections.abc import Iterator
from dataclasses import fields

from analytics.definitions.custom import Catalogue
from analytics.definitions.endpoints import ENDPOINTS
from analytics.definitions.foot_facts import FOOT
from analytics.definitions.indicator import Indicator
from analytics.definitions.indicator_checks import find_names
from analytics.definitions.labels import label
from analytics.definitions.protocol import Protocol
from analytics.display import measures, numbers

_WIDTH = 96
_INDENT = "    "


def define(indicator: Indicator, protocol: Protocol, language: str) -> str:
    """Return what an indicator counts, among whom, from when, and against what, as plain text.

    Parameters
    ----------
    indicator
        One of the catalogue in force.
    protocol
        Windows in force; those that differ from the default are marked.
    language
        Language of the words; the meanings of columns and the reasons of windows are in English.
    """
    head = f"{name_indicator(indicator, language)} ({indicator.code})"
    lines = [head, "=" * len(head)]
    for key, text in _facts(indicator, protocol, language):
        lines += _fold(f"{label(language, f'define.{key}')}: {text}")
    windows = list(_windows(indicator, protocol, language))
    if windows:
        lines += ["", f"{label(language, 'define.windows')}:", *windows]
    columns = list(_columns(indicator))
    if columns:
        lines += ["", f"{label(language, 'define.columns')}:", *columns]
    return "\n".join(lines)


def list_indicators(catalogue: Catalogue, language: str) -> str:
    """Return codes and titles of all indicators in force by area, and what was left out."""
    lines: list[str] = []
    areas = dict.fromkeys(indicator.area for indicator in catalogue.indicators.values())
    width = max(len(code) for code in catalogue.indicators)
    for area in areas:
        lines += ["", label(language, f"question.{area}")]
        for indicator in catalogue.in_area(area):
            title = name_indicator(indicator, language)
            lines.append(f"{_INDENT}{indicator.code:<{width}}  {title}")
    for fault in catalogue.faults:
        lines += ["", label(language, "define.left_out"), textwrap.indent(str(fault), _INDENT)]
    return "\n".join(lines[1:])


def name_indicator(indicator: Indicator, language: str) -> str:
    """Return the words of an indicator, without those of its quantiles."""
    if indicator.title:
        return indicator.title
    if indicator.kind == "spread":
        return measures.name_of(f"{indicator.code}.median", language)
    return measures.name_of(indicator.code, language)


def _facts(indicator: Indicator, protocol: Protocol, language: str) -> Iterator[tuple[str, str]]:
    yield "counts", _units(indicator, language)
    yield "population", indicator.population
    if indicator.kind == "share":
        yield "yes", indicator.numerator
    elif indicator.kind == "ratio":
        below = indicator.denominator or _many(indicator.unit, language)
        yield "ratio", f"{indicator.numerator} / {below}"
    elif indicator.kind == "spread":
        yield "spread", indicator.numerator
    else:
        yield "curve", _curve(indicator, language)
    if indicator.known:
        yield "known", indicator.known
    yield "maturity", _maturity(indicator, protocol, language)
    yield "better", label(language, f"define.{indicator.better}")
    if indicator.reference:
        yield "reference", indicator.reference
    yield "source", indicator.source
    if indicator.rests_on_follow_up:
        yield "bounds", indicator.presumed_no or label(language, "define.unknown_only")


def _units(indicator: Indicator, language: str) -> str:
    words = _many(indicator.unit, language)
    if indicator.unit == "child" and indicator.kind == "share":
        words += f" ({label(language, f'define.child_{indicator.child_is}')})"
    if indicator.counted:
        words += f"; {label(language, 'define.adds_up')} {_many(indicator.counted, language)}"
    return words


def _many(unit: str, language: str) -> str:
    return numbers.units(None, unit, language)


def _curve(indicator: Indicator, language: str) -> str:
    endpoint = ENDPOINTS[indicator.numerator]
    return label(
        language,
        f"define.{indicator.reading}",
        question=label(language, f"question.{endpoint.code}"),
        origin=endpoint.origin,
        events=", ".join(endpoint.events),
        competing=", ".join(endpoint.competing),
        days=indicator.horizon_days,
    )


def _maturity(indicator: Indicator, protocol: Protocol, language: str) -> str:
    if indicator.kind == "curve":
        return label(language, "define.uses_all_time")
    if not indicator.origin:
        return label(language, "define.at_once")
    days = indicator.maturity_days
    value = getattr(protocol, days) if isinstance(days, str) else days
    return label(language, "define.matures", days=f"{value:g}", origin=indicator.origin)


def _windows(indicator: Indicator, protocol: Protocol, language: str) -> Iterator[str]:
    known = {f.name: f for f in fields(Protocol)}
    changed = protocol.differences()
    for name in sorted(find_names(indicator)):
        if name not in known:
            continue
        about = known[name].metadata
        text = f"{name} = {getattr(protocol, name):g} {about['unit']}"
        if name in changed:
            text += f" ({label(language, 'define.default')} {changed[name][0]:g})"
        yield from _fold(f"{text}: {about['reason']}", indent=_INDENT)


def _columns(indicator: Indicator) -> Iterator[str]:
    declared = {column.name: column for column in FOOT}
    for name in sorted(find_names(indicator)):
        if name in declared:
            yield from _fold(f"{name}: {declared[name].meaning}", indent=_INDENT)


def _fold(text: str, *, indent: str = "") -> list[str]:
    return textwrap.wrap(
        text,
        width=_WIDTH,
        initial_indent=indent,
        subsequent_indent=indent + _INDENT,
        break_on_hyphens=False,
    )
