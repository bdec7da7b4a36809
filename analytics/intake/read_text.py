"""Text files with delimiters: decoded strictly, each row with its true line."""

from __future__ import annotations

import csv
import io
from dataclasses import replace
from pathlib import Path

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.csv as arrow_csv

from analytics.errors import ExportFileError
from analytics.intake.cut import Span, hash_span
from analytics.intake.map_types import FileSettings
from analytics.intake.read_types import Decoded, RawTable
from analytics.intake.record_ends import BYTE_ORDER_MARKS, are_quotes_plain
from analytics.intake.texts import categorise

#: A sign that Arrow takes for a byte order mark at the beginning, whatever stands there.
_MARK = "\ufeff"

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
    text = decode(content, settings.encoding, file)
    last = settings.last_header_line
    parts = text.split("\n", last - 1)
    if len(parts) < last or not parts[-1]:
        raise ExportFileError(
            f"the file has no line {last}",
            where=file,
            todo="set header_line in the source map to the line of the headings",
        )
    body = parts[-1]
    fast = _read_fast(body, settings, skipped)
    table = fast if fast is not None else _read_exactly(body, settings, file, skipped)
    upper = csv.reader(parts[settings.header_line - 1 : last - 1], delimiter=settings.delimiter)
    return replace(table, upper=tuple([*row] for row in upper))


def decode(content: bytes, encoding: str, file: str) -> str:
    """Return the text of a file; a byte order mark goes before the declared encoding."""
    marks = (name for mark, name, _ in BYTE_ORDER_MARKS if content.startswith(mark))
    found = next(marks, encoding)
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


def _fits(content: bytes, encoding: str) -> bool:
    try:
        content.decode(encoding)
    except UnicodeDecodeError:
        return False
    return True


def _read_fast(text: str, settings: FileSettings, skipped: int) -> RawTable | None:
    """Return the table as Arrow dictionaries, or nothing where another reader could differ."""
    header, _, rest = text.partition("\n")
    header = header.removesuffix("\r")
    if '"' in header or "\r" in header or not rest or rest.isspace() or rest.startswith(_MARK):
        return None
    if "\r" in rest and "\r" in rest.replace("\r\n", "\n"):
        return None
    held = rest.encode("utf-8")
    if '"' in rest and not are_quotes_plain(np.frombuffer(held, "u1"), settings.delimiter):
        return None
    headings = header.split(settings.delimiter)
    table = _parse(held, len(headings), settings.delimiter)
    if table is None or table.num_rows != rest.count("\n") + (not rest.endswith("\n")):
        return None
    columns = [c.combine_chunks() for c in table.unify_dictionaries().combine_chunks()]
    if max(map(_longest, columns), default=0) > csv.field_size_limit():
        return None
    first = settings.last_header_line + skipped + 1
    n = table.num_rows
    line = first + np.arange(n)
    return RawTable("", [*headings], Decoded(columns), line, np.zeros(n, dtype=bool))


def _parse(content: bytes, width: int, delimiter: str) -> pa.Table | None:
    names = [str(number) for number in range(width)]
    kinds = dict.fromkeys(names, pa.dictionary(pa.int32(), pa.string()))
    try:
        return arrow_csv.read_csv(
            io.BytesIO(content),
            read_options=arrow_csv.ReadOptions(column_names=names),
            parse_options=arrow_csv.ParseOptions(delimiter=delimiter),
            convert_options=arrow_csv.ConvertOptions(column_types=kinds, null_values=[]),
        )
    except pa.ArrowInvalid:
        return None


def _longest(cells: pa.DictionaryArray) -> int:
    """Return the bytes of the longest text of a column: no fewer than its signs."""
    return pc.max(pc.binary_length(cells.dictionary)).as_py() or 0


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
