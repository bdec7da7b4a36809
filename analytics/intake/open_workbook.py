"""The rows of a workbook's sheets, from a file that may be broken or lie about its size."""

from __future__ import annotations

import io
import pickle
import re
import subprocess
import sys
import zipfile
from collections.abc import Callable, Sequence
from typing import IO, Any

from python_calamine import CalamineWorkbook

from analytics.errors import AnalyticsError, ExportFileError
from analytics.intake import workbook_apart
from analytics.intake.read_zip import refuse_trap

Rows = list[list[Any]]

#: Cells between a sheet's first and last: a stray cell far out asks for all that lie between.
MOST_CELLS = 20_000_000

#: Seconds that an XLS or ODS workbook may take to open.
SECONDS = 120

_SHEETS = "xl/worksheets/"
_CHUNK, _OVERLAP = 2**20, 64
_COLUMN = re.compile(rb'\br="([A-Za-z]+)[0-9]')
_ROW = re.compile(rb'\br="[A-Za-z]*([0-9]+)"')


def open_sheets(
    content: bytes, file: str, choose: Callable[[Sequence[str]], Sequence[str]]
) -> dict[str, Rows]:
    """Return the rows of the sheets that are chosen.

    Parameters
    ----------
    content
        Bytes of an XLSX, XLSM, XLS or ODS workbook.
    file
        Its name, for messages.
    choose
        From the names of all sheets to those wanted; it may raise an ``AnalyticsError``.

    Raises
    ------
    ExportFileError
        When it is no workbook, or one that claims more than a register can hold.
    """
    try:
        if zipfile.is_zipfile(io.BytesIO(content)):
            with zipfile.ZipFile(io.BytesIO(content)) as parts:
                refuse_trap(parts, file)
                sheets = [name for name in parts.namelist() if name.startswith(_SHEETS)]
                for name in sheets:
                    with parts.open(name) as part:
                        _refuse_far_cells(part, file)
            if sheets:
                return _open_here(content, choose)
        return _open_apart(content, choose)
    except AnalyticsError:
        raise
    except Exception as error:  # a broken workbook raises errors of a dozen kinds
        raise _unreadable(str(error), file) from error
    except BaseException as error:
        # The library's own failures are no ``Exception``; an interrupt is not one of them.
        if type(error).__name__ != "PanicException":
            raise
        raise _unreadable("its parts contradict each other", file) from error


def _open_here(content: bytes, choose: Callable[[Sequence[str]], Sequence[str]]) -> dict[str, Rows]:
    book = CalamineWorkbook.from_filelike(io.BytesIO(content))
    return {
        name: [*map(list, book.get_sheet_by_name(name).to_python(skip_empty_area=False))]
        for name in choose(_some(book.sheet_names))
    }


def _open_apart(
    content: bytes, choose: Callable[[Sequence[str]], Sequence[str]]
) -> dict[str, Rows]:
    command = [sys.executable, "-m", workbook_apart.__name__]
    done = subprocess.run(command, input=content, capture_output=True, timeout=SECONDS, check=False)
    if done.returncode != 0:
        last = done.stderr.decode("utf-8", errors="replace").strip().splitlines()[-1:]
        raise ValueError(*last)
    sheets: dict[str, Rows] = pickle.loads(done.stdout)
    return {name: sheets[name] for name in choose(_some([*sheets]))}


def _some(names: Sequence[str]) -> Sequence[str]:
    if not names:
        raise ValueError("it has no sheet")
    return names


def _refuse_far_cells(part: IO[bytes], file: str) -> None:
    """Raise where a sheet spans more cells than a register has, by the addresses in it."""
    columns: set[bytes] = set()
    last_row, kept = 0, b""
    while chunk := part.read(_CHUNK):
        text = kept + chunk
        columns |= set(_COLUMN.findall(text))
        # Longer numbers than this are far out whatever they say.
        last_row = max([last_row, *(int(row[:12]) for row in set(_ROW.findall(text)))])
        kept = text[-_OVERLAP:]
    width = max(map(_number, columns), default=1)
    if width * last_row > MOST_CELLS:
        raise ExportFileError(
            f"a sheet has cells as far out as column {width:,} and line {last_row:,}",
            where=file,
            allowed=f"up to {MOST_CELLS:,} cells from the first to the last",
            todo="delete what stands far below or beside the table, or export as CSV",
        )


def _number(letters: bytes) -> int:
    """Return the number of a column from its letters."""
    number = 0
    for letter in letters.upper()[:8]:
        number = number * 26 + letter - 64
    return number


def _unreadable(reason: str, file: str) -> ExportFileError:
    return ExportFileError(
        f"the file is not a workbook that can be read: {reason}",
        where=file,
        allowed="an unprotected XLSX, XLSM, XLS or ODS workbook",
        todo="open it in a spreadsheet and save it again without a password",
    )
