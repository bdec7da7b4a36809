"""Text files with delimiters: decoded strictly, each row with its true line."""

from __future__ import annotations

import codecs
import csv
import io
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from analytics.errors import ExportFileError
from analytics.intake.cut import Span, hash_span
from analytics.intake.map_types import FileSettings
from analytics.intake.plain_text import CODES, open_plain
from analytics.intake.read_types import Decoded, RawTable
from analytics.intake.record_ends import BYTE_ORDER_MARKS
from analytics.intake.texts import categorise

#: Encodings tried only to tell a person which one may be meant.
_USUAL_ENCODINGS = ("utf-8", "cp1252", "cp1250", "cp1251")


def read_text_span(path: Path, settings: FileSettings, span: Span) -> RawTable:
    """Return some rows of a text file, as they stand in the table of the whole.

    Parameters
    ----------
    path, settings
        The file, and how it is written.
    span
        Where the rows stand (``intake.cut``).

    Raises
    ------
    ExportFileError
        When the file is not the one that was cut, or a row cannot be taken apart.
    """
    with path.open("rb") as file:
        head = file.read(span.head)
        file.seek(span.start)
        records = file.read(span.stop - span.start)
    if hash_span(head, records) != span.sha256:
        raise ExportFileError(
            f"the export '{path.name}' was changed while it was read",
            where=str(path),
            todo="run again when it is written in full",
        )
    return read_text_file(head + records, settings, path.name, span.skipped)


def read_text_file(content: bytes, settings: FileSettings, file: str, skipped: int = 0) -> RawTable:
    """Return the table of a text file.

    Parameters
    ----------
    content
        Bytes of the file.
    settings
        Encoding, delimiter and line of the headings.
    file
        Name of the file, for messages.
    skipped
        Lines of the file that are left out of the content, after the headings.

    Raises
    ------
    ExportFileError
        When the bytes are not in the encoding, or a quoted cell is never closed.
    """
    last = settings.last_header_line
    fast = _read_fast(as_utf8(content, settings.encoding, file), settings, skipped)
    if fast is not None:
        return fast
    *above, body = decode(content, settings.encoding, file).split("\n", last - 1)
    if len(above) < last - 1 or not body:
        raise ExportFileError(
            f"the file has no line {last}",
            where=file,
            todo="set header_line in the source map to the line of the headings",
        )
    table = _read_exactly(body, settings, file, skipped)
    return replace(table, upper=_upper_lines(above, settings))


def _upper_lines(above: Sequence[str], settings: FileSettings) -> tuple[list[object], ...]:
    upper = csv.reader(above[settings.header_line - 1 :], delimiter=settings.delimiter)
    return tuple([*row] for row in upper)


def as_utf8(content: bytes, encoding: str, file: str) -> bytes:
    """Return a file in UTF-8 without a mark; one that is said to be in it is not looked at."""
    name = _encoding_of(content, encoding)
    if name.lower().replace("_", "-") in ("utf-8", "utf8"):
        return content
    if name == "utf-8-sig":
        return content.removeprefix(codecs.BOM_UTF8)
    return decode(content, encoding, file).encode("utf-8")


def decode(content: bytes, encoding: str, file: str) -> str:
    """Return the text of a file; a byte order mark goes before the declared encoding."""
    found = _encoding_of(content, encoding)
    try:
        return content.decode(found)
    except LookupError as error:
        raise ExportFileError(
            f"there is no encoding called '{found}'",
            where=file,
            allowed="utf-8, cp1252, utf-16 and the like",
            todo="correct 'encoding' in the source map",
        ) from error
    except UnicodeDecodeError as error:
        line = content[: error.start].count(b"\n") + 1
        others = [name for name in _USUAL_ENCODINGS if name != found and _fits(content, name)]
        raise ExportFileError(
            f"the text is not in the encoding {found}: byte 0x{content[error.start]:02x}",
            where=f"{file}, line {line}",
            allowed=f"encodings that would fit: {', '.join(others) or 'none of the usual'}",
            todo="set 'encoding' in the source map, and look whether names of places read well",
        ) from error


def _encoding_of(content: bytes, declared: str) -> str:
    marks = (name for mark, name, _ in BYTE_ORDER_MARKS if content.startswith(mark))
    return next(marks, declared)


def _fits(content: bytes, encoding: str) -> bool:
    try:
        content.decode(encoding)
    except UnicodeDecodeError:
        return False
    return True


def _read_fast(content: bytes, settings: FileSettings, skipped: int) -> RawTable | None:
    """Return the table as Arrow dictionaries, or nothing where another reader could differ."""
    plain = open_plain(content, settings)
    if plain is None:
        return None
    table = plain.parse(dict.fromkeys(range(len(plain.headings)), CODES))
    if table is None:
        return None
    columns = [c.combine_chunks() for c in table.unify_dictionaries().combine_chunks()]
    if max(map(_longest, columns), default=0) > csv.field_size_limit():
        return None
    n = table.num_rows
    return RawTable(
        sheet="",
        headings=[*plain.headings],
        columns=Decoded(columns),
        line=settings.last_header_line + skipped + 1 + np.arange(n),
        is_ragged=np.zeros(n, dtype=bool),
        upper=_upper_lines(plain.above, settings),
    )


def _longest(cells: pa.DictionaryArray) -> int:
    """Return at least the bytes of the longest text of a column: no fewer than its signs."""
    together = int(cells.dictionary.nbytes)
    return (
        together
        if together <= csv.field_size_limit()
        else pc.max(pc.binary_length(cells.dictionary)).as_py() or 0
    )


def _read_exactly(body: str, settings: FileSettings, file: str, skipped: int) -> RawTable:
    """Return the table row by row: for quoted line ends, blank lines and ragged rows."""
    reader = csv.reader(io.StringIO(body, newline=""), delimiter=settings.delimiter, strict=True)
    rows: list[list[str]] = []
    lines: list[int] = []
    above = began = settings.last_header_line
    try:
        headings: list[object] = [*next(reader, [])]
        above += skipped
        began = above + reader.line_num
        for row in reader:
            rows.append(row)
            lines.append(began)
            began = above + reader.line_num
    except csv.Error as error:
        raise ExportFileError(
            f"the row cannot be taken apart: {error}",
            where=f"{file}, line {began}",
            allowed="cells between delimiters; a quoted cell ends with a quote",
            todo="look for a stray quote in this line, and check 'delimiter' in the source map",
        ) from error
    width = len(headings)
    full = [row[:width] + [""] * (width - len(row)) for row in rows]
    columns = [categorise([row[i] for row in full]) for i in range(width)]
    ragged = np.array([bool(row) and len(row) != width for row in rows], dtype=bool)
    return RawTable("", headings, columns, np.array(lines, dtype=np.int64), ragged)
