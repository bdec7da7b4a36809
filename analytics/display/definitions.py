"""An indicator as text: the very rule that counts, with the values of its windows."""

from __future__ import annotations

import textwrap
from collections.abc import Iterable, Iterator
from dataclasses import fields

from analytics.definitions.custom import Catalogue
from analytics.definitions.endpoints import ENDPOINTS
from analytics.definitions.foot_facts import FOOT
from analytics.definitions.formulas import FORMULAS
from analytics.definitions.indicator import Indicator
from analytics.definitions.indicator_checks import find_names
from analytics.definitions.labels import label, labels
from analytics.definitions.protocol import Protocol
from analytics.definitions.waits import WAITS
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
        Language of the words; rules keep the names of columns and windows as they are written in
        a settings file, and each name is explained below.
    """
    head = f"{name_indicator(indicator, language)} ({indicator.code})"
    lines = [head, "=" * len(head)]
    for key, text in _facts(indicator, protocol, language):
        lines += define_line(key, text, language)
    windows = list(_windows(indicator, protocol, language))
    if windows:
        lines += ["", define_head("windows", language), *windows]
    columns = list(tell_columns(find_names(indicator), language))
    if columns:
        lines += ["", define_head("columns", language), *columns]
    return "\n".join(lines)


def list_indicators(catalogue: Catalogue, language: str) -> str:
    """Return codes and titles of all figures in force by area, and what was left out."""
    entries: dict[str, list[tuple[str, str]]] = {}
    for indicator in catalogue.indicators.values():
        title = name_indicator(indicator, language)
        entries.setdefault(indicator.area, []).append((indicator.code, title))
    for area, code in list_formulas(catalogue.indicators):
        entries.setdefault(area, []).append((code, measures.name_of(code, language)))
    width = max(len(code) for pairs in entries.values() for code, _ in pairs)
    lines: list[str] = []
    for area, pairs in entries.items():
        lines += ["", label(language, f"question.{area}")]
        lines += [f"{_INDENT}{code:<{width}}  {title}" for code, title in pairs]
    for fault in catalogue.faults:
        lines += ["", label(language, "define.left_out"), textwrap.indent(str(fault), _INDENT)]
    return "\n".join(lines[1:])


def list_formulas(taken: Iterable[str]) -> list[tuple[str, str]]:
    """Return area and code of every figure that is no indicator; a programme's own code is its."""
    every = [(formula.area, formula.code) for formula in FORMULAS.values()]
    every += [("waits", wait.code) for wait in WAITS]
    return [pair for pair in every if pair[1] not in set(taken)]


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
        yield "reference", said(indicator.reference, language)
    yield "source", said(indicator.source, language)
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
        unit = label(language, f"measured.{about['unit']}")
        text = f"{name} = {numbers.plain(getattr(protocol, name), language)} {unit}"
        if name in changed:
            default = numbers.plain(changed[name][0], language)
            text += f" ({label(language, 'define.default')} {default})"
        reason = label(language, f"window.{name}")
        yield from fold(label(language, "word.group", name=text, level=reason), indent=_INDENT)


def define_line(key: str, text: str, language: str) -> list[str]:
    """Return a fact of a definition with its name, as lines."""
    name = label(language, f"define.{key}")
    return fold(label(language, "word.group", name=name, level=text))


def tell_columns(names: Iterable[str], language: str) -> Iterator[str]:
    """Yield the lines that say what columns of the foot mean, in order of their names."""
    declared = {column.name for column in FOOT}
    for name in sorted(set(names) & declared):
        meaning = label(language, f"fact.{name}")
        yield from fold(label(language, "word.group", name=name, level=meaning), indent=_INDENT)


def define_head(key: str, language: str) -> str:
    """Return the words that stand above several lines."""
    return label(language, "word.group", name=label(language, f"define.{key}"), level="").rstrip()


def said(text: str, language: str) -> str:
    """Return what a definition says in words; a text of the programme's own stays as it is."""
    return labels(language).get(f"said.{text}", text)


def fold(text: str, *, indent: str = "") -> list[str]:
    """Return a text as lines of a terminal, later ones set in."""
    return textwrap.wrap(
        text,
        width=_WIDTH,
        initial_indent=indent,
        subsequent_indent=indent + _INDENT,
        break_on_hyphens=False,
    )
