"""Propose a source map for an unknown export, for a person to confirm.

The proposal is TOML with the reason of each choice beside it. Every choice that the file cannot
settle stands under ``doubtful``; ``load`` refuses the map until that list is empty.
"""

from __future__ import annotations

import json
from dataclasses import dataclass, field
from pathlib import Path

import pandas as pd

from analytics.errors import OutputError
from analytics.intake.draft_file import propose_file
from analytics.intake.draft_headings import NO_COLUMN, Match, match_headings
from analytics.intake.draft_preview import preview_records
from analytics.intake.draft_values import (
    filled_texts,
    one_line,
    propose_codes,
    propose_dates,
    propose_decimal,
)
from analytics.intake.draft_words import MISSING
from analytics.intake.headings import fill_heading
from analytics.intake.identity import looks_like_identifier
from analytics.intake.map_types import ChildKey, FileSettings, SourceMap
from analytics.intake.read import Sheet, read_sheet
from analytics.intake.translate import declared_column

#: Most texts that a comment lists.
_MOST_SHOWN = 12


@dataclass
class _Draft:
    """What has been found out so far; turned into text at the end."""

    sheet: Sheet
    sides: dict[str, str]
    doubtful: list[str] = field(default_factory=list)
    child_id: list[str] = field(default_factory=list)
    link: list[str] = field(default_factory=list)
    drop: list[str] = field(default_factory=list)
    ignore: list[str] = field(default_factory=list)
    columns: dict[str, dict[str, Match]] = field(default_factory=dict)
    groups: dict[tuple[str, int, int, str], dict[str, Match]] = field(default_factory=dict)
    constants: dict[str, str] = field(default_factory=dict)
    comments: dict[str, str] = field(default_factory=dict)
    formats: dict[str, tuple[str, ...]] = field(default_factory=dict)
    codes: dict[str, dict[str, list[str]]] = field(default_factory=dict)
    decimal: str = ""


def draft_map(path: Path | str, *, name: str = "") -> str:
    """Return the text of a proposed source map.

    Parameters
    ----------
    path
        The export.
    name
        Name of the map; the file's without its ending when empty.

    Raises
    ------
    ExportFileError
        When the file cannot be read.
    """
    path = Path(path)
    settings, doubtful = propose_file(path)
    sheet = read_sheet(path, settings)
    matches, sides = match_headings(list(sheet.cells.columns))
    draft = _Draft(sheet, sides, doubtful=list(doubtful))
    for match in matches:
        _place(draft, match)
    _complete(draft)
    for table, columns in draft.columns.items():
        for column, match in columns.items():
            _look_at(draft, f"{table}.{column}", match)
    for columns in draft.groups.values():
        for column, match in columns.items():
            _look_at(draft, f"visits.{column}", match)
    text = _write(draft, settings, name or path.stem)
    return "\n".join([text, *preview_records(path, text), ""])


def save_draft(text: str, path: Path) -> None:
    """Write a draft where no file is yet.

    Raises
    ------
    OutputError
        When there is a file of that name, which may hold choices that a person has made, or the
        folder cannot be written.
    """
    try:
        with path.open("x", encoding="utf-8") as file:
            file.write(text)
    except OSError as error:
        raise OutputError(
            f"the map cannot be written: {error.strerror or error}",
            where=str(path),
            allowed="a file that does not exist yet, in a folder that can be written",
            todo="choose another name, or take the old file away",
        ) from error


def _place(draft: _Draft, match: Match) -> None:
    """Put a heading where its match says."""
    cells = _cells(draft, match)
    if match.column == "drop" or (not match.column and looks_like_identifier(match.heading, cells)):
        draft.drop += _headings(draft, match)
    elif match.column in ("", "notes"):
        draft.ignore.append(match.heading.replace("{n}", "*").replace("{side}", "*"))
        if not match.column:
            draft.doubtful.append(f"ignore: '{match.heading}' is not understood")
    elif match.column == "child.id":
        draft.child_id.append(match.heading)
    elif match.group:
        key = (match.group, match.first, match.last, match.purpose)
        draft.groups.setdefault(key, {})[match.column.removeprefix("visits.")] = match
    else:
        table, _, column = match.column.rpartition(".")
        draft.columns.setdefault(table or "side", {})[column] = match
    if match.column not in NO_COLUMN and match.is_doubtful:
        draft.doubtful.append(f"'{match.heading}' is taken for {match.column} by part of its words")


def _headings(draft: _Draft, match: Match) -> list[str]:
    """Return the headings of the export that a pattern stands for."""
    blank = SourceMap("", "long", ChildKey(()), sides=draft.sides)
    return list(
        dict.fromkeys(
            fill_heading(match.heading, blank, n=n, side=side)
            for n in range(match.first, match.last + 1)
            for side in ("left", "right")
        )
    )


def _cells(draft: _Draft, match: Match) -> pd.Series:
    present = [draft.sheet.cells[h] for h in _headings(draft, match) if h in draft.sheet.cells]
    parts = [cells.astype(object) for cells in present]
    # A pattern may name numbers that the export skips.
    return pd.concat(parts, ignore_index=True) if parts else pd.Series(dtype=object)


def _complete(draft: _Draft) -> None:
    """Settle shape, clinic, side and purpose; what the headings do not say is doubtful."""
    is_wide = bool(draft.groups)
    side = draft.columns.pop("side", {}).get("side")
    if side is not None:
        draft.columns.setdefault("feet" if is_wide else "visits", {})["side"] = side
    wrong, right = ("visits", "children") if is_wide else ("children", "visits")
    clinic = draft.columns.get(wrong, {}).pop("clinic", None)
    if clinic is not None:
        draft.columns.setdefault(right, {}).setdefault("clinic", clinic)
    if not draft.child_id:
        draft.child_id.append("?")
        draft.doubtful.append("child.id: no heading seems to name the child")
    _question_scope(draft, right)
    given = draft.columns.get(right, {})
    stand_ins = {"clinic": "?"}
    if not is_wide:
        stand_ins |= {"visited_on": "?", "purpose": "review"}
        stand_ins |= {} if _is_sided(draft) else {"side": "left"}
    needed = {key: text for key, text in stand_ins.items() if key not in given}
    draft.constants = needed
    undated = [key[0] for key, columns in draft.groups.items() if "visited_on" not in columns]
    draft.doubtful += [f"groups: '{name}' has no date of its visits" for name in undated]
    draft.doubtful += [f"constants: {key} = '{text}' is a stand-in" for key, text in needed.items()]


def _question_scope(draft: _Draft, table: str) -> None:
    """Ask whether numbers begin anew in each clinic, where one number occurs in several."""
    clinic = draft.columns.get(table, {}).get("clinic")
    if clinic is None or draft.child_id == ["?"]:
        return
    pairs = draft.sheet.cells[[draft.child_id[0], clinic.heading]].astype(str).drop_duplicates()
    n_shared = int(pairs[draft.child_id[0]].duplicated().sum())
    if n_shared:
        draft.doubtful.append(f"child.scope: {n_shared} numbers occur in more than one clinic")


def _is_sided(draft: _Draft) -> bool:
    return any("{side}" in match.heading for match in draft.columns.get("visits", {}).values())


def _look_at(draft: _Draft, name: str, match: Match) -> None:
    """Find out from its values how a column is written."""
    counts = filled_texts(_cells(draft, match))
    n_filled = int(counts.sum())
    table, _, short = name.partition(".")
    column = declared_column(table, short)
    comment = f"{n_filled} filled"
    if column.kind == "date":
        comment += _look_at_dates(draft, name, counts)
    elif column.kind in ("code", "flag"):
        comment += _look_at_codes(draft, column.vocabulary or "flag", counts, match)
    elif column.kind in ("number", "integer"):
        mark = propose_decimal(counts.index)
        draft.decimal = draft.decimal or mark
        if mark and mark != draft.decimal:
            draft.doubtful.append(f"numbers.decimal: '{match.heading}' has '{mark}'")
    elif short == "clinic":
        shown = [f"{text} ({n})" for text, n in counts.head(_MOST_SHOWN).items()]
        comment += f": {', '.join(shown)}"
    draft.comments[match.heading] = comment


def _look_at_dates(draft: _Draft, name: str, counts: pd.Series) -> str:
    found = propose_dates(counts.index)
    if found is None:
        draft.doubtful.append(f"dates: most values of {name} fit no known format")
        return ", no known format"
    draft.formats[name] = found.formats
    if found.is_doubtful:
        draft.doubtful.append(f"dates: {name} as {found.formats[0]}; {found.proof}")
    return f", {' or '.join(found.formats)}: {found.proof}"


def _look_at_codes(draft: _Draft, vocabulary: str, counts: pd.Series, match: Match) -> str:
    known, strange = propose_codes(counts, vocabulary)
    for code, texts in known.items():
        held = draft.codes.setdefault(vocabulary, {}).setdefault(code, [])
        held += [text for text in texts if text not in held]
    for text in strange[:_MOST_SHOWN]:
        draft.doubtful.append(f"codes.{vocabulary}: {text!r} under '{match.heading}' is not known")
    return ": " + ", ".join(f"{text} ({n})" for text, n in counts.head(_MOST_SHOWN).items())


def _write(draft: _Draft, settings: FileSettings, name: str) -> str:
    """Return the draft as TOML with comments."""
    usual = max(draft.formats.values(), key=list(draft.formats.values()).count, default=())
    special = {column: texts for column, texts in draft.formats.items() if texts != usual}
    lines = [
        "# A proposal. Look at every line; settle what stands under doubtful, and empty that list.",
        f"name = {_text(name)}",
        f'shape = "{"wide" if draft.groups else "long"}"',
        f"missing = {_list(MISSING)}",
        f"drop = {_list(draft.drop)}",
        f"ignore = {_list(draft.ignore)}",
        "doubtful = [" + "".join(f"\n    {_text(text)}," for text in draft.doubtful) + "\n]",
        "\n[file]",
        f"encoding = {_text(settings.encoding)}",
        f"delimiter = {_text(settings.delimiter)}",
        f"sheet = {_text(settings.sheet)}",
        f"header_line = {settings.header_line}",
        "\n[child]",
        f"id = {_list(draft.child_id)}",
        'scope = "network"  # "clinic" where numbers begin anew in each clinic',
    ]
    for table, columns in draft.columns.items():
        lines += [f"\n[columns.{table}]", *_column_lines(draft, columns)]
    if draft.constants:
        table = "children" if draft.groups else "visits"
        lines += [f"\n[constants.{table}]"]
        lines += [f"{key} = {_text(text)}" for key, text in draft.constants.items()]
    if draft.sides:
        lines += ["\n[sides]", *(f"{side} = {_text(t)}" for side, t in draft.sides.items())]
    for (group, first, last, purpose), columns in draft.groups.items():
        lines += ["\n[[groups]]", f"name = {_text(group)}"]
        lines += [f"first = {first}", f"last = {last}"] if last else []
        lines += ["[groups.constants]", f"purpose = {_text(purpose)}"]
        lines += [] if "visited_on" in columns else ['visited_on = "?"']
        lines += ["[groups.columns]", *_column_lines(draft, columns)]
    lines += ["\n[dates]", f"formats = {_list(usual)}"] if usual else []
    if special:
        lines += ["\n[dates.columns]"]
        lines += [f"{_text(column)} = {_list(texts)}" for column, texts in special.items()]
    lines += ["\n[numbers]", f"decimal = {_text(draft.decimal or '.')}"]
    for vocabulary, codes in draft.codes.items():
        lines += [f"\n[codes.{vocabulary}]"]
        lines += [f"{code} = {_list(texts)}" for code, texts in codes.items()]
    return "\n".join(lines) + "\n"


def _column_lines(draft: _Draft, columns: dict[str, Match]) -> list[str]:
    return [
        f"{column} = {_text(match.heading)}  # {one_line(draft.comments.get(match.heading, ''))}"
        for column, match in columns.items()
    ]


def _text(value: str) -> str:
    # TOML, unlike JSON, wants the delete sign escaped too.
    return json.dumps(value, ensure_ascii=False).replace("\x7f", "\\u007f")


def _list(values: tuple[str, ...] | list[str]) -> str:
    return "[" + ", ".join(map(_text, values)) + "]"
