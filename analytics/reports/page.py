"""One self-contained HTML page from chapters: no outside request, no script."""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from functools import partial
from importlib.resources import files
from typing import Any

from jinja2 import Environment, StrictUndefined
from markupsafe import Markup

from analytics.definitions.labels import label
from analytics.display import numbers
from analytics.display.terms import shorten
from analytics.reports.chapters import Chapter, Heading
from analytics.reports.provenance import FATES, settle_balance

#: Characters of a hash that a page prints; the whole hash stands in provenance.json.
HASH_SHOWN = 16

Say = Callable[..., str]


@dataclass(frozen=True)
class Entry:
    """One line of the contents list with the lines below it."""

    anchor: str
    words: str
    below: tuple[Heading, ...]


@dataclass(frozen=True)
class PlainTable:
    """A table of texts with a heading for each column; the first cell of a row names it."""

    caption: str
    heads: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]


@dataclass(frozen=True)
class Link:
    """A link to another file of the report: its relative address and its words."""

    href: str
    words: str


def build_page(
    chapters: Sequence[Chapter],
    provenance: Mapping[str, Any],
    *,
    around: Sequence[Link] = (),
    clinics: Sequence[Link] = (),
    brief: bool = False,
) -> str:
    """Return the HTML of a page.

    Parameters
    ----------
    chapters
        In order; the first gives the page its title.
    provenance
        As built by ``build_provenance``.
    around
        Files of the report that belong to the page.
    clinics
        Pages of single clinics.
    brief
        Whether the page is to fit two sheets of paper: without contents, its origins in small type.
    """
    language = provenance["language"]
    say = partial(label, language)
    environment = Environment(autoescape=True, undefined=StrictUndefined, trim_blocks=True)
    template = environment.from_string(_resource("page.html.jinja"))
    return template.render(
        title=chapters[0].title,
        programme=provenance["programme"],
        language=language,
        audience=provenance["policy"]["audience"],
        cut_off=_cut_off(provenance, language),
        style=Markup(_resource("page.css")),
        running_title=_css_text(running_title(provenance["programme"], chapters[0].title)),
        running_page=_css_text(say("page.print_page")),
        contents=list_contents(chapters),
        around=around,
        clinics=clinics,
        brief=brief,
        chapters=chapters,
        balance=_balance(provenance["balance"], say, language),
        tables=_tables(provenance, say, language),
        has_protocol_differences=bool(provenance["protocol_differences"]),
        say=say,
    )


def running_title(programme: str, title: str) -> str:
    """Return the line above every sheet; the halves of a long one are cut to fit beside others."""
    return f"{shorten(programme, 55)} – {shorten(title, 45)}"


def list_contents(chapters: Sequence[Chapter]) -> list[Entry]:
    """Return the contents: each chapter, and the sections of the first one."""
    entries = []
    for chapter in chapters:
        if chapter.headings:
            top, *rest = chapter.headings
            below = tuple(h for h in rest if h.level == top.level + 1)
            entries.append(Entry(top.anchor, top.words, below))
    return entries


def _resource(name: str) -> str:
    return (files("analytics.reports") / name).read_text(encoding="utf-8")


def _css_text(text: str) -> Markup:
    """Return a CSS string; every character that could end it or the style is escaped."""
    escaped = "".join(c if c.isalnum() or c in " .,–-" else f"\\{ord(c):x} " for c in text)
    return Markup(f'"{escaped}"')


def _cut_off(provenance: Mapping[str, Any], language: str) -> str:
    """Return the day of the cut-off, its month alone where the policy shows no days."""
    write = numbers.month if provenance["policy"]["months_only"] else numbers.day
    return write(date.fromisoformat(provenance["cut_off"]), language)


def _balance(balance: Mapping[str, int], say: Say, language: str) -> str:
    shown = {name: numbers.count(count, language) for name, count in balance.items()}
    whole = settle_balance(balance)
    return say(f"page.provenance.balance{'' if whole else '_withheld'}", **shown)


def _tables(provenance: Mapping[str, Any], say: Say, language: str) -> list[PlainTable]:
    tables = [_inputs(provenance["inputs"], say, language), _facts(provenance, say, language)]
    if provenance["protocol_differences"]:
        tables.append(_protocol(provenance["protocol_differences"], say))
    return tables


def _inputs(inputs: Sequence[Mapping[str, Any]], say: Say, language: str) -> PlainTable:
    fates = [name for name in FATES if any(name in line for line in inputs)]
    counts = fates or ["n_rows"]
    heads = [fates or ["n_read"], ["sha256", "source_map", "map_sha256"]]
    rows = []
    for line in inputs:
        counted = [numbers.count(line.get(name, 0), language) for name in counts]
        hashes = [line["sha256"][:HASH_SHOWN], line["source_map"], line["map_sha256"][:HASH_SHOWN]]
        rows.append((line["file"], *counted, *hashes))
    names = ["file", *heads[0], *heads[1]]
    return PlainTable(
        say("page.provenance.inputs"),
        tuple(say(f"page.provenance.{name}") for name in names),
        tuple(rows),
    )


def _facts(provenance: Mapping[str, Any], say: Say, language: str) -> PlainTable:
    program = provenance["program"]
    versions = {program["name"]: program["version"]} | provenance["versions"]
    seeds = ", ".join(map(str, provenance["seeds"])) or say("page.provenance.no_seed")
    facts = {
        "cut_off": _cut_off(provenance, language),
        "policy": say(f"page.audience.{provenance['policy']['audience']}"),
        "fingerprint": provenance["fingerprint"],
        "seed": seeds,
        "versions": ", ".join(f"{name} {number}" for name, number in versions.items()),
    }
    return PlainTable(
        say("page.provenance.settings"),
        (say("page.provenance.what"), say("page.provenance.value")),
        tuple((say(f"page.provenance.{name}"), value) for name, value in facts.items()),
    )


def _protocol(differences: Mapping[str, Mapping[str, Any]], say: Say) -> PlainTable:
    return PlainTable(
        say("page.provenance.protocol"),
        tuple(say(f"page.provenance.{name}") for name in ("window", "default", "in_force")),
        tuple(
            (name, json.dumps(pair["default"]), json.dumps(pair["in_force"]))
            for name, pair in differences.items()
        ),
    )
