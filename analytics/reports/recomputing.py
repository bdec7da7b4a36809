"""What ``talipes recompute`` does: read a small table typed in from elsewhere, and check it."""

from __future__ import annotations

import csv
import io
import re
from pathlib import Path

import pandas as pd

from analytics.analyses.consistency import Fault
from analytics.analyses.recompute import COLUMNS, COUNTS, recompute
from analytics.definitions.labels import label
from analytics.display.terms import clean
from analytics.display.words import say
from analytics.errors import ExportFileError

_NUMBER = re.compile(r"\d+")
_PERCENT = re.compile(r"\d+([.,]\d+)?\s*%?")


def read_printed_table(file: Path) -> pd.DataFrame:
    """Return the lines of a CSV table in the columns of ``analyses.recompute.COLUMNS``.

    Raises
    ------
    ExportFileError
        When the file cannot be read, has another column, or a cell that is no number.
    """
    try:
        text = file.read_text(encoding="utf-8-sig")
    except (OSError, UnicodeDecodeError) as error:
        raise ExportFileError(
            f"the table cannot be read: {error}",
            where=str(file),
            allowed="a CSV file in UTF-8 with a line of column names",
            todo="check the path, or save the table again as CSV",
        ) from error
    rows = [row for row in csv.reader(io.StringIO(text)) if any(cell.strip() for cell in row)]
    header = [name.strip().lower() for name in rows[0]] if rows else []
    _check_header(header, file)
    lines = [
        _read_row(row, header, f"{file.name}, line {at}") for at, row in enumerate(rows[1:], 2)
    ]
    frame = pd.DataFrame(lines, columns=list(COLUMNS)).astype("string")
    frame = frame.mask(frame.eq("").fillna(False))
    return frame.astype(dict.fromkeys(COUNTS, "Int64"))


def tell_faults(lines: pd.DataFrame, language: str) -> tuple[str, bool]:
    """Return what does not follow from the other numbers, in words, and whether all does."""
    faults = recompute(lines)
    n = len(lines)
    if not faults:
        return label(language, "recompute.agrees", n=n), True
    head = label(language, "recompute.faults", n=len(faults), lines=n)
    return "\n".join([head, *(_word(fault, language) for fault in faults)]), False


def _word(fault: Fault, language: str) -> str:
    return f"- {clean(fault.where)}: {say(fault.message, language)}"


def _check_header(header: list[str], file: Path) -> None:
    unknown = [name for name in header if name not in COLUMNS]
    twice = [name for name in header if header.count(name) > 1]
    if unknown or twice or "label" not in header:
        raise ExportFileError(
            f"the columns are {', '.join(header) or 'none'}",
            where=str(file),
            allowed="; ".join(f"{name} ({meaning})" for name, meaning in COLUMNS.items()),
            todo="name the columns so, each once; 'label' is needed",
        )


def _read_row(row: list[str], header: list[str], where: str) -> dict[str, str]:
    if len(row) > len(header):
        raise ExportFileError(
            f"the line has {len(row)} cells and the table {len(header)} columns",
            where=where,
            allowed="a cell for each column",
            todo="put text that holds a comma in double quotes",
        )
    cells = {name: cell.strip() for name, cell in zip(header, row, strict=False)}
    for name, cell in cells.items():
        wanted = _NUMBER if name in COUNTS else _PERCENT if name == "percent" else None
        if cell and wanted and not wanted.fullmatch(cell):
            raise ExportFileError(
                f"'{name}' is {clean(cell)!r}",
                where=where,
                allowed="a whole number" if name in COUNTS else "a percentage as printed: 76.4",
                todo="correct the cell, or leave it empty",
            )
    return cells
