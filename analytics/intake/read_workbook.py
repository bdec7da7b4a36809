"""Workbooks (XLSX, XLSM, XLS, ODS): stored dates and fractions keep their type."""

from __future__ import annotations

import io
import zipfile
from datetime import date, datetime
from typing import Any

import numpy as np
from python_calamine import CalamineWorkbook

from analytics.errors import AnalyticsError, ExportFileError
from analytics.intake.map_types import FileSettings
from analytics.intake.read_types import RawTable, categorise
from analytics.intake.read_zip import refuse_trap
from analytics.intake.suggest import listed, suggest


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
    try:
        if zipfile.is_zipfile(io.BytesIO(content)):
            with zipfile.ZipFile(io.BytesIO(content)) as parts:
                refuse_trap(parts, file)
        book = CalamineWorkbook.from_filelike(io.BytesIO(content))
        name = _choose_sheet(book.sheet_names, settings.sheet, file)
        sheet = book.get_sheet_by_name(name)
        rows = sheet.to_python(skip_empty_area=False)
    except AnalyticsError:
        raise
    except Exception as error:  # a broken workbook raises errors of a dozen kinds
        raise ExportFileError(
            f"the file is not a workbook that can be read: {error}",
            where=file,
            allowed="an unprotected XLSX, XLSM, XLS or ODS workbook",
            todo="open it in a spreadsheet and save it again without a password",
        ) from error
    return _take_table([[*row] for row in rows], name, settings, file)


def _choose_sheet(names: list[str], wanted: str, file: str) -> str:
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
