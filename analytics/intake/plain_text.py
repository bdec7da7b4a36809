"""Text files whose lines are plainly their rows: taken apart by Arrow, in UTF-8, nothing copied."""

from __future__ import annotations

import codecs
from dataclasses import dataclass

import numpy as np
import pyarrow as pa
import pyarrow.csv as arrow_csv

from analytics.intake.map_types import FileSettings
from analytics.intake.record_ends import are_quotes_plain

#: Texts of a column as codes into its distinct ones.
CODES = pa.dictionary(pa.int32(), pa.string())

#: Bytes that are taken apart at a time.
_BLOCK = 1 << 22

_LINE_FEED = 10


@dataclass(frozen=True)
class PlainText:
    """A file of which every reader would make the same rows, one of each line.

    Parameters
    ----------
    content, begin
        The file in UTF-8, and where its first record begins.
    above
        Lines above the last one of the headings.
    headings
        Cells of that one.
    delimiter
        What stands between cells.
    """

    content: bytes
    begin: int
    above: tuple[str, ...]
    headings: tuple[str, ...]
    delimiter: str

    def parse(self, kinds: dict[int, pa.DataType]) -> pa.Table | None:
        """Return some columns; nothing where a line has other than one cell for each heading.

        Parameters
        ----------
        kinds
            Place of a column to its type.
        """
        names = [str(place) for place in range(len(self.headings))]
        types = {str(place): kind for place, kind in kinds.items()}
        try:
            table = arrow_csv.read_csv(
                pa.BufferReader(pa.py_buffer(self.content).slice(self.begin)),
                read_options=arrow_csv.ReadOptions(column_names=names, block_size=_BLOCK),
                parse_options=arrow_csv.ParseOptions(delimiter=self.delimiter),
                convert_options=arrow_csv.ConvertOptions(
                    column_types=types, include_columns=[*types], null_values=[]
                ),
            )
        except pa.ArrowInvalid:
            return None
        ends = np.frombuffer(self.content, "u1", offset=self.begin) == _LINE_FEED
        n_lines = np.count_nonzero(ends) + (not ends[-1])
        return table if table.num_rows == n_lines else None


def open_plain(content: bytes, settings: FileSettings) -> PlainText | None:
    """Return a file with its headings, or nothing where readers could differ on its rows.

    Parameters
    ----------
    content
        The file in UTF-8, without a mark.
    settings
        Delimiter and line of the headings.
    """
    begin = 0
    for _ in range(settings.last_header_line):
        begin = content.find(b"\n", begin) + 1
        if not begin:
            return None
    try:
        *above, last = content[: begin - 1].decode("utf-8").split("\n")
    except UnicodeDecodeError:
        return None
    last = last.removesuffix("\r")
    if '"' in last or "\r" in last or not _are_plain(content, begin, settings.delimiter):
        return None
    headings = tuple(last.split(settings.delimiter))
    return PlainText(content, begin, tuple(above), headings, settings.delimiter)


def _are_plain(content: bytes, begin: int, delimiter: str) -> bool:
    if begin == len(content) or content.startswith(codecs.BOM_UTF8, begin):
        return False  # Arrow takes for a mark what stands at the beginning
    has_return = content.find(b"\r", begin) >= 0
    if has_return and content.count(b"\r", begin) != content.count(b"\r\n", begin):
        return False
    if content.find(b'"', begin) < 0:
        return True
    return are_quotes_plain(np.frombuffer(content, "u1", offset=begin), delimiter)
