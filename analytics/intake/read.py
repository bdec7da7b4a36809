"""A file to cells with file, sheet and line; every cell is text unless the file stores a type."""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Collection
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd

from analytics.errors import ExportFileError
from analytics.intake.cut import Span
from analytics.intake.map_types import FileSettings
from analytics.intake.read_headings import find_repeated, name_headings
from analytics.intake.read_parquet import read_parquet_file
from analytics.intake.read_text import read_text_file, read_text_span
from analytics.intake.read_types import RawTable, all_columns, category_mask, is_blank
from analytics.intake.read_workbook import read_workbook
from analytics.intake.read_zip import open_member
from analytics.intake.texts import put_text, repeat_text

_Read = Callable[[bytes, FileSettings, str], RawTable]

#: Ending of a file's name to what reads it.
READERS: dict[str, _Read] = {
    **dict.fromkeys((".csv", ".tsv", ".txt"), read_text_file),
    **dict.fromkeys((".xlsx", ".xlsm", ".xls", ".ods"), read_workbook),
    ".parquet": read_parquet_file,
}
ARCHIVE = ".zip"


@dataclass(frozen=True)
class Sheet:
    """One table of a file.

    Parameters
    ----------
    file, sheet
        File name without its folder, and the sheet; a text file has an empty sheet name.
    sha256
        Hash of the file's bytes.
    headings
        All headings, in the order of the file.
    cells
        Heading to categorical; a category is a text, or a date or fraction stored as such.
    line
        Line of each row in the file, counted from 1.
    aside
        For each row the code of what makes it no record (``definitions.checks``), else missing.
    """

    file: str
    sheet: str
    sha256: str
    headings: tuple[str, ...]
    cells: pd.DataFrame
    line: np.ndarray
    aside: pd.Categorical

    def where(self, row: int | None = None) -> str:
        """Return file, sheet and line in words."""
        parts = [self.file] + ([f"sheet '{self.sheet}'"] if self.sheet else [])
        return ", ".join(parts if row is None else [*parts, f"line {self.line[row]}"])


def read_sheet(
    path: Path | str,
    settings: FileSettings,
    span: Span | None = None,
    *,
    wanted: Collection[str] | None = None,
) -> Sheet:
    """Return the table of a file, or some rows of it; blank rows are no rows.

    Parameters
    ----------
    path
        A text file with delimiters, a workbook, a Parquet file, or a zip archive of one of them.
    settings
        How the file is written.
    span
        Where the rows stand in a text file that was cut; ``sha256`` is then that of the span.
    wanted
        Headings whose cells are kept; nothing keeps all.

    Raises
    ------
    ExportFileError
        When the file is missing, empty or not what its name says, the sheet is not there, or
        the headings are doubled or missing.
    """
    path = Path(path)
    if span is not None:
        raw = read_text_span(path, settings, span)
        return _tidy(raw, settings, path.name, span.sha256, wanted)
    _refuse_suffix(path, (*READERS, ARCHIVE))
    content = read_bytes(path)
    file, table = path.name, content
    if path.suffix.lower() == ARCHIVE:
        member, table = open_member(content, settings.member, path.name)
        _refuse_suffix(Path(member), tuple(READERS))
        file = f"{path.name}/{member}"
    raw = READERS[Path(file).suffix.lower()](table, settings, file)
    sheet = _tidy(raw, settings, file, hashlib.sha256(content).hexdigest(), wanted)
    refuse_no_row(len(sheet.line), sheet.where())
    return sheet


def refuse_no_row(n_rows: int, where: str) -> None:
    """Raise ``ExportFileError`` when an export holds no record."""
    if not n_rows:
        raise ExportFileError(
            "the export has headings but no row",
            where=where,
            allowed="at least one record",
            todo="export it again, or take it out of the settings",
        )


def _refuse_suffix(path: Path, allowed: tuple[str, ...]) -> None:
    if path.suffix.lower() not in allowed:
        raise ExportFileError(
            f"'{path.name}' is no kind of file that can be read",
            where=str(path),
            allowed=", ".join(allowed),
            todo="export the records in one of these",
        )


def read_bytes(path: Path) -> bytes:
    """Return the bytes of an export.

    Raises
    ------
    ExportFileError
        When it cannot be opened, or is empty.
    """
    try:
        content = path.read_bytes()
    except OSError as error:
        raise ExportFileError(
            f"the export '{path.name}' cannot be opened ({error.strerror or 'unreadable'})",
            where=str(path),
            todo="check the path in the settings",
        ) from error
    if not content:
        raise ExportFileError(
            f"the export '{path.name}' is empty", where=str(path), todo="export it again"
        )
    return content


def _tidy(
    raw: RawTable, settings: FileSettings, file: str, sha256: str, wanted: Collection[str] | None
) -> Sheet:
    place = file + (f", sheet '{raw.sheet}'" if raw.sheet else "")
    headings = name_headings(raw, settings, f"{place}, line {settings.last_header_line}")
    used = [i for i, name in enumerate(headings) if name]
    empty = all_columns(is_blank(raw.columns[i]) for i in raw.fewest_texts_first(used))
    aside = put_text(repeat_text(None, len(raw.line)), raw.is_ragged, "ragged_row")
    aside = put_text(aside, find_repeated(raw, used), "repeated_heading")
    aside = put_text(aside, _find_totals(raw.columns[used[0]], settings), "total_row")
    line = raw.line
    columns = {headings[i]: raw.columns[i] for i in used if wanted is None or headings[i] in wanted}
    if empty.any():
        kept = np.flatnonzero(~empty)
        line = line[kept]
        columns = {name: column.take(kept) for name, column in columns.items()}
        aside = aside.take(kept)
    return Sheet(
        file=file,
        sheet=raw.sheet,
        sha256=sha256,
        headings=tuple(headings[i] for i in used),
        cells=pd.DataFrame(columns, copy=False),
        line=line,
        aside=aside,
    )


def _find_totals(first: pd.Categorical, settings: FileSettings) -> np.ndarray:
    """Return the rows whose first cell says that they sum up others."""
    totals = {text.strip().casefold() for text in settings.total_rows}
    if not totals:
        return np.zeros(len(first), dtype=bool)
    return category_mask(first, lambda value: str(value).strip().casefold() in totals)
