"""Headings of an unknown export matched to canonical columns, single or in repeated groups."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass, replace

from analytics.intake.draft_words import CODES, HEADINGS, NOTES, plain_words
from analytics.intake.identity import names_identifier

#: A heading that shares fewer of its words than this with a name is not that column.
LEAST_SHARED = 0.5


#: What a heading can be besides a column.
NO_COLUMN = ("", "drop", "notes")


@dataclass(frozen=True)
class Match:
    """What a heading seems to be.

    Parameters
    ----------
    heading
        Heading, with ``{n}`` and ``{side}`` where it stands for several.
    column
        ``table.column``, "child.id", "side", "drop", "notes", or empty where nothing is
        recognised.
    is_doubtful
        Whether only part of its words say so.
    purpose, group
        For a visit's group: its purpose and its name; else empty.
    first, last
        Numbers of a repeated group.
    """

    heading: str
    column: str
    is_doubtful: bool = False
    purpose: str = ""
    group: str = ""
    first: int = 0
    last: int = 0


@dataclass(frozen=True)
class _Pattern:
    text: str
    numbers: tuple[int, ...]
    sides: tuple[str, ...]


def match_headings(headings: Sequence[str]) -> tuple[list[Match], dict[str, str]]:
    """Return what each heading or pattern of headings seems to be, and what stands for the sides.

    Parameters
    ----------
    headings
        Headings as they stand in the export.
    """
    sides = _find_sides(headings)
    patterns = _find_patterns(headings, sides)
    is_wide = any(len(pattern.numbers) > 1 for pattern in patterns)
    matches = [_match(pattern, is_wide) for pattern in patterns]
    return _keep_first(matches), sides


def _find_sides(headings: Sequence[str]) -> dict[str, str]:
    """Return the ending that stands for left and for right, where headings come in such pairs."""
    left, right = ({word for word in CODES["side"][side]} for side in ("left", "right"))
    known = set(headings)
    for heading in headings:
        base, _, last = heading.rpartition(" ")
        if base and plain_words(last) in left:
            for other in known:
                other_base, _, other_last = other.rpartition(" ")
                if other_base == base and plain_words(other_last) in right:
                    return {"left": last, "right": other_last}
    return {}


def _find_patterns(headings: Sequence[str], sides: dict[str, str]) -> list[_Pattern]:
    found: dict[str, tuple[set[int], set[str]]] = {}
    for heading in headings:
        base, _, last = heading.rpartition(" ")
        side = last if base and last in sides.values() else ""
        text = f"{base} {{side}}" if side else heading
        number = re.search(r"\d+", text)
        pattern = text.replace(number.group(), "{n}", 1) if number else text
        numbers, ends = found.setdefault(pattern, (set(), set()))
        numbers |= {int(number.group())} if number else set()
        ends |= {side} if side else set()
    patterns = []
    for text, (numbers, ends) in found.items():
        ordered = tuple(sorted(numbers))
        run = ordered == tuple(range(min(ordered), max(ordered) + 1)) if ordered else False
        if len(ordered) > 1 and run:
            patterns.append(_Pattern(text, ordered, tuple(ends)))
        else:
            single = [text.replace("{n}", str(n)) for n in ordered] or [text]
            patterns += [_Pattern(one, (), tuple(ends)) for one in single]
    return patterns


def _match(pattern: _Pattern, is_wide: bool) -> Match:
    words = plain_words(pattern.text.replace("{n}", " ").replace("{side}", " "))
    first, last = (pattern.numbers[0], pattern.numbers[-1]) if pattern.numbers else (0, 0)
    if words in NOTES:
        return Match(pattern.text, "notes", first=first, last=last)
    if names_identifier(pattern.text):
        return Match(pattern.text, "drop", first=first, last=last)
    purpose, name = _find_purpose(words) if is_wide else ("", "")
    if purpose:
        column, shared = _best_column(words.removeprefix(name).strip(), _VISIT_COLUMNS)
        return Match(pattern.text, column, shared < 1, purpose, name, first, last)
    column, shared = _best_column(words, [*HEADINGS])
    # Numbered headings that belong to no kind of visit are no single column.
    column = "" if last else column
    return Match(pattern.text, column, shared < 1, first=first, last=last)


_VISIT_COLUMNS = [name for name in HEADINGS if name.startswith("visits.") or name == "side"]


def _find_purpose(words: str) -> tuple[str, str]:
    """Return the purpose that a heading begins with, and the words that say so."""
    named = [(name, purpose) for purpose, names in CODES["purpose"].items() for name in names]
    found = [pair for pair in named if words.startswith(f"{pair[0]} ")]
    name, purpose = max(found, key=lambda pair: len(pair[0]), default=("", ""))
    return purpose, name


def _best_column(words: str, columns: Sequence[str]) -> tuple[str, float]:
    """Return the column that shares most words, and the share; empty where none shares half."""
    own = set(words.split())
    best, best_share = "", 0.0
    for column in columns:
        for name in (*HEADINGS[column], column.partition(".")[2].replace("_", " ")):
            named = set(name.split())
            share = len(named & own) / max(len(own), 1)
            if named <= own and share > best_share:
                best, best_share = column, share
    return (best, best_share) if best_share >= LEAST_SHARED else ("", 0.0)


def _keep_first(matches: list[Match]) -> list[Match]:
    """Return the matches with each column taken once: by the surest heading, else the first."""
    kept: list[Match] = []
    taken = set()
    for match in sorted(matches, key=lambda m: m.is_doubtful):
        place = (match.group, match.first, match.last, match.column)
        is_second = match.column not in NO_COLUMN and place in taken
        taken.add(place)
        kept.append(replace(match, column="") if is_second else match)
    order = {match.heading: number for number, match in enumerate(matches)}
    return sorted(kept, key=lambda m: order[m.heading])
