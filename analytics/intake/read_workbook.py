"""Workbooks (XLSX, XLSM, XLS, ODS): stored dates and fractions keep their type."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date, datetime
from typing import Any

import numpy as np

from analytics.errors import ExportFileError
from analytics.intake.map_types import FileSettings
from analytics.intake.open_workbook import open_sheets
from analytics.intake.read_types import RawTable
from analytics.intake.suggest import listed, suggest
from analytics.intake.texts import categorise


def read_workbook(content: bytes, settings: FileSettings, file: str) -> RawTable:
    """Return the table of one sheet.

    Parameters
    ----------
    content
        Bytes of the file.
    settings
        Sheet and line of the headings.
    file
        Name of the file, for messages.

    Raises
    ------
    ExportFileError
        When the file is no workbook, or has no such sheet or line.
    """
    sheets = open_sheets(content, file, lambda names: [_choose_sheet(names, settings.sheet, file)])
    ((name, rows),) = sheets.items()
    return _take_table(rows, name, settings, file)


def _choose_sheet(names: Sequence[str], wanted: str, file: str) -> str:
    if wanted in names:
        return wanted
    if not wanted and len(names) == 1:
        return names[0]
    found = f"there is no sheet '{wanted}'" if wanted else f"the workbook has {len(names)} sheets"
    raise ExportFileError(
        found,
        where=file,
        allowed=listed(names),
        todo=suggest(wanted, names) or "name the sheet under [file] in the source map",
    )


def _take_table(rows: list[list[Any]], sheet: str, settings: FileSettings, file: str) -> RawTable:
    last = settings.last_header_line
    if len(rows) < last:
        raise ExportFileError(
            f"the sheet has {len(rows)} lines and no line {last}",
            where=f"{file}, sheet '{sheet}'",
            todo="set header_line in the source map to the line of the headings",
        )
    headings = rows[last - 1]
    body = rows[last:]
    columns = [categorise([plain_cell(row[i]) for row in body]) for i in range(len(headings))]
    line = last + 1 + np.arange(len(body))
    upper = tuple(rows[settings.header_line - 1 : last - 1])
    return RawTable(sheet, [*headings], columns, line, np.zeros(len(body), dtype=bool), upper)


def plain_cell(value: object) -> str | float | date:
    """Return text, a date, or a fraction; a whole number is text, for codes and names."""
    if isinstance(value, str):
        return value
    if isinstance(value, datetime):
        return value.date()
    if isinstance(value, date):
        return value
    if isinstance(value, bool):
        return "TRUE" if value else "FALSE"
    if isinstance(value, float):
        return str(int(value)) if value.is_integer() else value
    return str(value)
