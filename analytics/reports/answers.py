"""Answers of clinics: from workbooks of records to fix to the file of corrections."""

from __future__ import annotations

import csv
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import Any

import pandas as pd
from python_calamine import CalamineWorkbook

from analytics.definitions.labels import label, languages
from analytics.errors import ExportFileError, OutputError, SettingsError
from analytics.intake.correct import cell_text
from analytics.intake.corrections import ACTIONS, CONFIRM, CORRECT, read_corrections
from analytics.intake.ledger import CORRECTION_COLUMNS, no_corrections
from analytics.intake.maps import read_map
from analytics.intake.read_workbook import plain_cell
from analytics.intake.submission import open_sheets
from analytics.intake.suggest import listed, suggest
from analytics.reports.fixing import ANSWER_COLUMNS, FIX_COLUMNS
from analytics.reports.settings import Settings

#: Columns of a workbook that must be there for an answer to be understood.
_NEEDED = ("file", "sheet", "line", "child", "side", "on", "rule", *ANSWER_COLUMNS)


@dataclass(frozen=True)
class _Answer:
    """One answered line: its place in the workbook, its cells by column, and its language."""

    where: str
    cells: Mapping[str, str]
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
    added = pd.DataFrame(
        [exports.correction_of(answer) for answer in answers], columns=list(CORRECTION_COLUMNS)
    ).astype("string")
    fresh = added.merge(known, how="left", indicator=True)["_merge"].eq("left_only")
    asked = ["file", "sheet", "line", "action", "column", "rule", "side", "on"]
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

    def correction_of(self, answer: _Answer) -> dict[str, str]:
        """Return an answer as a line of the file of corrections."""
        cells = answer.cells
        words = {label(answer.language, f"correction.action.{name}"): name for name in ACTIONS}
        action = words.get(cells["answer"], CORRECT if cells["column"] else cells["answer"])
        given = {name: cells[name] for name in ("file", "sheet", "line", "who", "when")}
        row = dict.fromkeys(CORRECTION_COLUMNS, "") | given | {"action": action}
        _refuse(answer, action not in ACTIONS, f"the answer is '{action}'", listed(words))
        for name in ("who", "when"):
            head = label(answer.language, f"workbook.fix.{name}")
            _refuse(answer, not cells[name], f"the column '{head}' is empty", "a filled cell")
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
    codes = {label(language, f"code.side.{side}"): side for side in ("left", "right")}
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
            language, places = _find_heads(row)
            if language:
                is_ours = True
                where = f"{path.name}, sheet '{name}'"
                yield from _answered(rows[number + 1 :], places, language, (where, number + 2))
                break
    if not is_ours:
        raise ExportFileError(
            "the workbook has no sheet of records to fix",
            where=path.name,
            allowed="the headings as the report wrote them",
            todo="answer in the workbook of the report, and leave its headings as they are",
        )


def _answered(
    rows: Sequence[Sequence[Any]],
    places: Mapping[str, int],
    language: str,
    start: tuple[str, int],
) -> Iterator[_Answer]:
    where, first = start
    for line, row in enumerate(rows, start=first):
        cells = {name: _text(row[at]) if at < len(row) else "" for name, at in places.items()}
        if any(cells[name] for name in ("answer", "column", "value")):
            yield _Answer(f"{where}, line {line}", cells, language)


def _find_heads(row: Sequence[Any]) -> tuple[str, dict[str, int]]:
    """Return the language whose headings a row holds, and the place of each; else nothing."""
    texts = [_text(cell) for cell in row]
    for language in languages():
        heads = {name: label(language, f"workbook.fix.{name}") for name in FIX_COLUMNS}
        if all(heads[name] in texts for name in _NEEDED):
            return language, {n: texts.index(head) for n, head in heads.items() if head in texts}
    return "", {}


def _text(cell: object) -> str:
    value = plain_cell(cell)
    return value.isoformat() if isinstance(value, date) else " ".join(str(value).split())
