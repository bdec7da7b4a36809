"""How an unknown file is written: encoding, delimiter, sheet and line of the headings."""

from __future__ import annotations

import csv
import io
from collections import Counter
from dataclasses import replace
from itertools import islice
from pathlib import Path

from analytics.errors import ExportFileError
from analytics.intake.fhir import ENDING
from analytics.intake.map_types import FileSettings
from analytics.intake.open_workbook import open_sheets
from analytics.intake.read import READERS

_DELIMITERS = (",", ";", "\t", "|")
_LINES_LOOKED_AT = 50


def propose_file(path: Path) -> tuple[FileSettings, list[str]]:
    """Return how a file seems to be written, and what about it is doubtful.

    Parameters
    ----------
    path
        A text file with delimiters, a workbook or a Parquet file.

    Raises
    ------
    ExportFileError
        When it is missing or no such file.
    """
    suffix = path.suffix.lower()
    if suffix == ENDING or (path.is_dir() and any(path.glob(f"*{ENDING}"))):
        raise ExportFileError(
            "no map is proposed for FHIR resources",
            where=str(path),
            allowed='a map of paths that a person writes, with shape = "fhir"',
            todo="begin with tests/exports/fhir_bulk_data/map.toml",
        )
    if suffix not in READERS or not path.is_file():
        raise ExportFileError(
            f"'{path.name}' is missing or no kind of file that can be read",
            where=str(path),
            allowed=", ".join(READERS),
            todo="check the path; take the file out of its archive first",
        )
    if suffix == ".parquet":
        return FileSettings(), []
    if suffix in (".csv", ".tsv", ".txt"):
        return _propose_text(path.read_bytes())
    return _propose_workbook(path)


def _propose_text(content: bytes) -> tuple[FileSettings, list[str]]:
    encoding, doubtful = "utf-8", []
    try:
        text = content.decode("utf-16" if content[:2] in (b"\xff\xfe", b"\xfe\xff") else "utf-8")
    except UnicodeDecodeError:
        encoding = "cp1252"
        text = content.decode(encoding, errors="replace")
        doubtful.append("file.encoding: cp1252 is a guess; look whether names of places read well")
    delimiter = max(_DELIMITERS, key=lambda mark: _agreement(text, mark))
    if _agreement(text, delimiter)[1] < 2:
        doubtful.append("file.delimiter: no delimiter gives several columns")
    rows = [
        *islice(csv.reader(io.StringIO(text, newline=""), delimiter=delimiter), _LINES_LOOKED_AT)
    ]
    header, unsure = _find_header([[*row] for row in rows])
    settings = FileSettings(encoding=encoding, delimiter=delimiter, header_line=header)
    return settings, doubtful + unsure


def _agreement(text: str, delimiter: str) -> tuple[int, int]:
    """Return how many of the first lines have the commonest number of cells, and that number."""
    lines = text.splitlines()[:_LINES_LOOKED_AT]
    widths = Counter(len(row) for row in csv.reader(lines, delimiter=delimiter) if any(row))
    several = {width: count for width, count in widths.items() if width > 1}
    if not several:
        return 0, 1
    width, count = max(several.items(), key=lambda item: (item[1], item[0]))
    return count, width


def _propose_workbook(path: Path) -> tuple[FileSettings, list[str]]:
    sizes = open_sheets(path.read_bytes(), path.name, lambda names: names)
    largest = max(sizes, key=lambda name: sum(len(row) for row in sizes[name]))
    header, unsure = _find_header(sizes[largest])
    settings = replace(FileSettings(), sheet=largest, header_line=header)
    others = [name for name in sizes if name != largest and sizes[name]]
    doubtful = [f"file.sheet: '{largest}' is the largest of {len(sizes)}"] if others else []
    return settings, doubtful + unsure


def _find_header(rows: list[list[object]]) -> tuple[int, list[str]]:
    """Return the first line that is full of different texts, as wide as the table below it."""
    widths = [sum(bool(str(cell).strip()) for cell in row) for row in rows]
    widest = max(widths[:_LINES_LOOKED_AT], default=0)
    for number, (row, width) in enumerate(zip(rows, widths, strict=True), start=1):
        texts = [str(cell).strip() for cell in row if str(cell).strip()]
        wordy = sum(not text[0].isdigit() for text in texts)
        if width >= 0.8 * widest and len(set(texts)) == len(texts) and wordy >= 0.8 * width > 0:
            found = [f"file.header_line: {number}, below title lines"] if number > 1 else []
            return number, found
    return 1, ["file.header_line: no line looks like headings"]
