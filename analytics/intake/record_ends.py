"""Where records of a text file end: after line ends that stand in no quoted cell."""

from __future__ import annotations

import codecs
import csv
import io
import sys
from collections.abc import Iterator
from contextlib import suppress
from dataclasses import dataclass

import numpy as np

_LINE_FEED, _RETURN, _QUOTE = 10, 13, 34

#: Byte order marks, each with the codec of a file that begins with it, and of what follows.
BYTE_ORDER_MARKS = (
    (b"\xef\xbb\xbf", "utf-8-sig", "utf-8"),
    (b"\xff\xfe", "utf-16", "utf-16-le"),
    (b"\xfe\xff", "utf-16", "utf-16-be"),
)
_UNITS = {"utf-8": "u1", "utf-16-le": "<u2", "utf-16-be": ">u2"}
_OF_THIS_MACHINE = "utf-16-le" if sys.byteorder == "little" else "utf-16-be"
_WITHOUT_MARK = {"utf-8-sig": "utf-8", "utf-16": _OF_THIS_MACHINE}


@dataclass(frozen=True)
class Coding:
    """How the signs of a file stand in its bytes.

    Parameters
    ----------
    codec
        Codec of any stretch of the file that begins with a whole sign.
    unit
        NumPy type of the units in which a line end, a quote and a delimiter are one each.
    mark
        Bytes of the byte order mark at the beginning.
    delimiter
        What stands between cells.
    """

    codec: str
    unit: str
    mark: int
    delimiter: str

    def units(self, content: bytes) -> np.ndarray:
        """Return the units of bytes; a last one that is cut off is left out."""
        size = np.dtype(self.unit).itemsize
        return np.frombuffer(content, self.unit, count=len(content) // size)


def find_coding(start: bytes, encoding: str, delimiter: str) -> Coding | None:
    """Return how a file is coded; nothing where its bytes cannot be cut without reading all signs.

    Parameters
    ----------
    start
        First bytes of the file: a byte order mark goes before the declared encoding.
    encoding, delimiter
        As declared.
    """
    for mark, _, codec in BYTE_ORDER_MARKS:
        if start.startswith(mark):
            return Coding(codec, _UNITS[codec], len(mark), delimiter)
    try:
        name = codecs.lookup(encoding).name
        name = _WITHOUT_MARK.get(name, name)
        if name not in _UNITS and not _has_one_byte_a_sign(name):
            return None
    except LookupError:
        return None
    return Coding(name, _UNITS.get(name, "u1"), 0, delimiter)


def _has_one_byte_a_sign(codec: str) -> bool:
    signs = bytes(range(256)).decode(codec, "replace")
    return len(signs) == 256 and signs.startswith(bytes(range(128)).decode("ascii"))


def find_record_ends(content: bytes, coding: Coding) -> np.ndarray:
    """Return places (bytes) at which a record surely ends with a line feed, in their order.

    Parameters
    ----------
    content
        Bytes that begin where a record begins, and may end anywhere.
    coding
        How they are coded.
    """
    units = coding.units(content)
    feeds = np.flatnonzero(units == _LINE_FEED)
    quotes = np.flatnonzero(units == _QUOTE)
    feeds = feeds[np.searchsorted(quotes, feeds) % 2 == 0]
    last = feeds[-1] + 1 if len(feeds) else len(units)
    if not are_quotes_plain(units[:last], coding.delimiter):
        return _read_ends(content, coding)
    return (feeds + 1) * units.itemsize


def are_quotes_plain(units: np.ndarray, delimiter: str) -> bool:
    """Return whether every quote opens or closes a whole cell, or is doubled within one.

    Only then is a place in no quoted cell exactly where an even number of quotes stands before,
    and only then do all readers take the rows apart in the same way.

    Parameters
    ----------
    units
        Signs, or bytes of signs, from the beginning of a record on.
    delimiter
        What stands between cells.
    """
    quotes = np.flatnonzero(units == _QUOTE)
    if len(quotes) % 2 or (len(quotes) and not delimiter.isascii()):
        return False
    opening, closing = quotes[0::2], quotes[1::2]
    ends = (ord(delimiter), _LINE_FEED, _RETURN)
    is_begun = (opening == 0) | np.isin(units[np.maximum(opening - 1, 0)], ends)
    last = len(units) - 1
    is_ended = (closing == last) | np.isin(units[np.minimum(closing + 1, last)], ends)
    doubled = opening[1:] == closing[:-1] + 1
    is_begun[1:] |= doubled
    is_ended[:-1] |= doubled
    return bool(is_begun.all() and is_ended.all())


def _read_ends(content: bytes, coding: Coding) -> np.ndarray:
    """Return the ends of records as the exact reader of rows finds them."""
    text = codecs.getincrementaldecoder(coding.codec)().decode(content)
    stops, is_fed = [0], [False]

    def lines() -> Iterator[str]:
        for line in io.StringIO(text, newline=""):
            stops.append(stops[-1] + len(line.encode(coding.codec)))
            is_fed.append(line.endswith("\n"))
            yield line

    reader = csv.reader(lines(), delimiter=coding.delimiter, strict=True)
    ends = []
    with suppress(csv.Error):  # a row that is cut off, or one that the reader of rows refuses
        for _ in reader:
            if is_fed[reader.line_num]:
                ends.append(stops[reader.line_num])
    return np.array(ends, dtype=np.int64)


def find_line_end(content: bytes, coding: Coding) -> int:
    """Return the place (bytes) after the first line feed; 0 where there is none."""
    units = coding.units(content)
    feeds = np.flatnonzero(units == _LINE_FEED)
    return int(feeds[0] + 1) * units.itemsize if len(feeds) else 0


def count_lines(content: bytes, coding: Coding) -> int:
    """Return how many lines end in bytes that are cut after a line feed."""
    units = coding.units(content)
    is_fed, is_returned = units == _LINE_FEED, units == _RETURN
    both = np.count_nonzero(is_returned[:-1] & is_fed[1:])
    return int(np.count_nonzero(is_fed) + np.count_nonzero(is_returned) - both)


def has_lone_return(content: bytes, coding: Coding) -> bool:
    """Return whether a line ends with a carriage return alone."""
    units = coding.units(content)
    is_returned = units == _RETURN
    lone = is_returned[:-1] & (units[1:] != _LINE_FEED)
    return bool(lone.any() or is_returned[-1:].any())
