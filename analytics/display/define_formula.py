"""A figure that is no indicator as text: its formula, its numbers, and what to know of it."""

from __future__ import annotations

import ast
from collections.abc import Iterator
from dataclasses import fields

from analytics.definitions.burden import Burden, Published
from analytics.definitions.formulas import FORMULAS, Formula
from analytics.definitions.labels import label, labels
from analytics.definitions.waits import WAITS, Wait
from analytics.display import measures, numbers
from analytics.display.definitions import define_head, define_line, fold, said, tell_columns

_INDENT = "    "


def define_formula(code: str, burden: Burden, language: str) -> str:
    """Return how a figure is worked out, with the published numbers in force, as plain text.

    Parameters
    ----------
    code
        One of ``FORMULAS`` or of ``WAITS``.
    burden
        Published numbers in force.
    language
        Language of the words.

    Raises
    ------
    KeyError
        When there is no such figure.
    """
    head = f"{measures.name_of(code, language)} ({code})"
    waits = {wait.code: wait for wait in WAITS}
    body = (
        _wait(waits[code], language)
        if code in waits
        else _formula(FORMULAS[code], burden, language)
    )
    return "\n".join([head, "=" * len(head), *body])


def _formula(formula: Formula, burden: Burden, language: str) -> Iterator[str]:
    yield from define_line("counts", numbers.units(None, formula.unit, language), language)
    yield from define_line("formula", formula.formula, language)
    tree = ast.parse(formula.formula, mode="eval")
    names = sorted({node.id for node in ast.walk(tree) if isinstance(node, ast.Name)})
    published = {field.name: getattr(burden, field.name) for field in fields(Burden)}
    yield from ("", define_head("terms", language))
    for name in names:
        if name not in published:
            meaning = _term(name, language)
            yield from fold(label(language, "word.group", name=name, level=meaning), indent=_INDENT)
    used = {name: published[name] for name in names if name in published}
    if used:
        yield from ("", define_head("published", language))
    for name, number in used.items():
        yield from fold(_published(name, number, language), indent=_INDENT)
    yield from _notes(formula.method, language)


def _wait(wait: Wait, language: str) -> Iterator[str]:
    yield from define_line("counts", numbers.units(None, "foot", language), language)
    if wait.population:
        yield from define_line("population", wait.population, language)
    quartiles = label(language, "define.quartiles")
    yield from define_line("formula", f"{wait.event} - {wait.origin} ({quartiles})", language)
    yield from ("", define_head("columns", language))
    named = [wait.origin, wait.event, wait.until, *wait.population.split()]
    yield from tell_columns(named, language)
    yield from _notes(("method.waits", "note.waits"), language)


def _term(name: str, language: str) -> str:
    key = f"quantity.{name}"
    return label(language, key) if key in labels(language) else measures.name_of(name, language)


def _published(name: str, number: Published, language: str) -> str:
    write = {end: numbers.plain(getattr(number, end), language)
             for end in ("value", "lower", "upper")}  # fmt: skip
    return label(
        language,
        "define.published_line",
        name=name,
        unit=said(number.unit, language),
        source=said(number.source, language),
        **write,
    )


def _notes(keys: tuple[str, ...], language: str) -> Iterator[str]:
    yield from ("", define_head("read_with", language))
    for key in keys:
        yield from fold(label(language, key), indent=_INDENT)
