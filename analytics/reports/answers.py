"""Answers of clinics: from workbooks of records to fix to the file of corrections."""

from __future__ import annotations

import csv
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from itertools import product
from pathlib import Path
from typing import Any

import pandas as pd
from python_calamine import CalamineWorkbook

from analytics.definitions.labels import label, languages
from analytics.errors import ExportFileError, OutputError, SettingsError
from analytics.intake.correct import cell_text
from analytics.intake.corrections import ANSWERS, CONFIRM, CORRECT, read_corrections
from analytics.intake.ledger import CORRECTION_COLUMNS, no_corrections
from analytics.intake.maps import read_map
from analytics.intake.read_workbook import plain_cell
from analytics.intake.submission import open_sheets
from analytics.intake.suggest import listed, suggest
from analytics.reports.fixing import ANSWER_COLUMNS, FIX_COLUMNS
from analytics.reports.pairs import ONE_CHILD, PAIR_COLUMNS, TWO_CHILDREN, corrections_of
from analytics.reports.settings import Settings

#: Columns of a workbook that must be there for an answer to be understood.
_NEEDED = ("file", "sheet", "line", "child", "side", "on", "rule", *ANSWER_COLUMNS)


@dataclass(frozen=True)
class _Form:
    """A kind of workbook to answer in: its columns, those it cannot lack, those of the answer."""

    section: str
    columns: tuple[str, ...]
    needed: tuple[str, ...]
    answered: tuple[str, ...]


_RECORDS = _Form("workbook.fix", FIX_COLUMNS, _NEEDED, ("answer", "column", "value"))
_PAIRS = _Form("pair", PAIR_COLUMNS, PAIR_COLUMNS, ("answer",))


@dataclass(frozen=True)
class _Answer:
    """One answered line: its place in the workbook, its cells by column, kind and language."""

    where: str
    cells: Mapping[str, str]
    form: _Form
    language: str


def add_answers(settings: Settings, workbooks: Sequence[Path]) -> tuple[Path, int]:
    """Add the answers of workbooks to the programme's corrections; return the file and how many.

    What stands now under a heading is looked up in the export, so that the correction is left
    alone should the value have changed when it is applied. A later answer to the same question
    replaces the earlier one.

    Parameters
    ----------
    settings
        The programme's settings; they name the file of corrections.
    workbooks
        Workbooks of records to fix that clinics have sent back.

    Raises
    ------
    SettingsError
        When the settings name no file of corrections.
    ExportFileError
        When a workbook is none of ours, or an answer is not complete or does not fit the export.
    OutputError
        When the file cannot be written.
    """
    if settings.corrections is None:
        raise SettingsError(
            "the settings name no file of corrections",
            where=settings.file.name,
            todo='add corrections = "corrections.csv" at the top of the file',
        )
    path = settings.corrections
    known = read_corrections(path) if path.exists() else no_corrections()
    exports = _Exports.open(settings)
    answers = [answer for workbook in workbooks for answer in _read_answers(workbook)]
    rows = [row for answer in answers for row in exports.corrections_of(answer)]
    added = pd.DataFrame(rows, columns=list(CORRECTION_COLUMNS)).astype("string").fillna("")
    fresh = added.merge(known, how="left", indicator=True)["_merge"].eq("left_only")
    asked = ["file", "sheet", "line", "action", "column", "rule", "child", "side", "on"]
    together = pd.concat([known, added], ignore_index=True).drop_duplicates(asked, keep="last")
    _write(together, path)
    read_corrections(path)
    return path, int(fresh.sum())


def _write(corrections: pd.DataFrame, path: Path) -> None:
    try:
        corrections.to_csv(path, index=False, quoting=csv.QUOTE_MINIMAL, lineterminator="\n")
    except OSError as error:
        raise OutputError(
            f"the file of corrections cannot be written: {error.strerror or error}",
            where=str(path),
            todo="close it where it is open, and try again",
        ) from error


@dataclass(frozen=True)
class _Exports:
    """Rows of the programme's exports by file, sheet and line, with the headings of their maps."""

    stacks: Mapping[tuple[str, str], tuple[pd.DataFrame, Mapping[int, int]]]

    @classmethod
    def open(cls, settings: Settings) -> _Exports:
        """Read every export of the settings."""
        stacks = {}
        for source in settings.sources:
            source_map = read_map(source.source_map)
            ids = [*source_map.child.id, *source_map.child.link]
            for sheet in open_sheets(source.path, source_map, frozenset()):
                rows = {int(line): row for row, line in enumerate(sheet.line)}
                cells = sheet.cells.drop(columns=[name for name in ids if name in sheet.cells])
                stacks[sheet.file, sheet.sheet] = (cells, rows)
        return cls(stacks)

    def corrections_of(self, answer: _Answer) -> Iterator[dict[str, str]]:
        """Yield the lines of the file of corrections that an answer makes."""
        for name in ("who", "when"):
            head = _said(answer.language, f"{answer.form.section}.{name}")
            _refuse(answer, not answer.cells[name], f"'{head}' is empty", "a filled cell")
        if answer.form is _RECORDS:
            yield self._of_record(answer)
            return
        words = {_said(answer.language, f"pair.{a}"): a for a in (ONE_CHILD, TWO_CHILDREN)}
        said = answer.cells["answer"]
        _refuse(answer, said not in words, f"the answer is '{said}'", listed(words))
        yield from corrections_of(words[said], answer.cells)

    def _of_record(self, answer: _Answer) -> dict[str, str]:
        cells = answer.cells
        words = {_said(answer.language, f"correction.action.{name}"): name for name in ANSWERS}
        action = words.get(cells["answer"], CORRECT if cells["column"] else cells["answer"])
        given = {name: cells[name] for name in ("file", "sheet", "line", "who", "when")}
        row = dict.fromkeys(CORRECTION_COLUMNS, "") | given | {"action": action}
        _refuse(answer, action not in ANSWERS, f"the answer is '{action}'", listed(words))
        if action != CORRECT:
            row["child"] = cells["child"]
            if action == CONFIRM:
                row |= {name: cells[name] for name in ("rule", "on")}
                row["side"] = _code_of_side(cells["side"], answer.language)
            return row
        before = self._look_up(answer)
        return row | {"column": cells["column"], "before": before, "after": cells["value"]}

    def _look_up(self, answer: _Answer) -> str:
        cells = answer.cells
        table, rows = self.stacks.get((cells["file"], cells["sheet"]), (pd.DataFrame(), {}))
        line = int(cells["line"]) if cells["line"].isdecimal() else -1
        place = f"line {cells['line']} of {cells['file']}"
        _refuse(answer, line not in rows, f"there is no {place} in the exports", "one of them")
        column = cells["column"]
        known = [str(name) for name in table.columns]
        found = f"the export has no column '{column}' that is read and names no child"
        _refuse(answer, column not in known, found, suggest(column, known) or listed(known, 40))
        return cell_text(table[column].iloc[rows[line]])


def _refuse(answer: _Answer, is_wrong: bool, found: str, allowed: str) -> None:
    if is_wrong:
        raise ExportFileError(
            found,
            where=answer.where,
            allowed=allowed,
            todo="correct the answer in the workbook, and read it again; nothing was written",
        )


def _code_of_side(words: str, language: str) -> str:
    codes = {_said(language, f"code.side.{side}"): side for side in ("left", "right")}
    return codes.get(words, "")


def _read_answers(path: Path) -> Iterator[_Answer]:
    """Yield the answered lines of a workbook, in whatever language it was made."""
    try:
        book = CalamineWorkbook.from_path(str(path))
        sheets = {name: book.get_sheet_by_name(name).to_python(skip_empty_area=False)
                  for name in book.sheet_names}  # fmt: skip
    except Exception as error:  # a broken workbook raises errors of a dozen kinds
        raise ExportFileError(
            f"the workbook cannot be read: {error}",
            where=str(path),
            allowed="a workbook of records to fix that a clinic has answered",
            todo="check the path; save it again as a workbook without a password",
        ) from error
    is_ours = False
    for name, rows in sheets.items():
        for number, row in enumerate(rows):
            found = _find_heads(row)
            if found is not None:
                is_ours = True
                where = f"{path.name}, sheet '{name}'"
                yield from _answered(rows[number + 1 :], found, (where, number + 2))
                break
    if not is_ours:
        raise ExportFileError(
            "the workbook has no sheet of records to fix",
            where=path.name,
            allowed="the headings as the report wrote them",
            todo="answer in the workbook of the report, and leave its headings as they are",
        )


def _answered(
    rows: Sequence[Sequence[Any]], heads: _Heads, start: tuple[str, int]
) -> Iterator[_Answer]:
    where, first = start
    form, language, places = heads.form, heads.language, heads.places
    for line, row in enumerate(rows, start=first):
        cells = {name: _text(row[at]) if at < len(row) else "" for name, at in places.items()}
        if any(cells[name] for name in form.answered):
            yield _Answer(f"{where}, line {line}", cells, form, language)


@dataclass(frozen=True)
class _Heads:
    """Headings of a sheet to answer in: of which form, in which language, and where each is."""

    form: _Form
    language: str
    places: Mapping[str, int]


def _find_heads(row: Sequence[Any]) -> _Heads | None:
    """Return the headings that a row holds, in whatever language; nothing where it holds none."""
    texts = [_text(cell) for cell in row]
    for form, language in product((_RECORDS, _PAIRS), languages()):
        heads = {name: _said(language, f"{form.section}.{name}") for name in form.columns}
        if all(heads[name] in texts for name in form.needed):
            places = {n: texts.index(head) for n, head in heads.items() if head in texts}
            return _Heads(form, language, places)
    return None


def _said(language: str, key: str) -> str:
    """Return a label as ``_text`` gives it back from a cell."""
    return _text(label(language, key))


def _text(cell: object) -> str:
    value = plain_cell(cell)
    return value.isoformat() if isinstance(value, date) else " ".join(str(value).split())
