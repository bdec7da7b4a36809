"""A large text export cut into spans of whole records, each with all that its reader must know."""

from __future__ import annotations

import hashlib
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import BinaryIO

from analytics.intake.map_types import FileSettings
from analytics.intake.record_ends import (
    Coding,
    count_lines,
    find_coding,
    find_line_end,
    find_record_ends,
    has_lone_return,
)

#: Endings of files that can be cut.
CUT = (".csv", ".tsv", ".txt")

#: A span of less costs more than it spares.
FEWEST_BYTES = 1_000_000

#: Where the headings of a file have to end.
MOST_HEAD_BYTES = 1_000_000


@dataclass(frozen=True)
class Span:
    """Some whole records of a text file; its reader sees the headings, then these.

    Parameters
    ----------
    head
        Bytes of the file up to the first record: titles and headings.
    start, stop
        Bytes between which the records stand.
    skipped
        Lines of records before them.
    sha256
        Hash of the headings and the records.
    """

    head: int
    start: int
    stop: int
    skipped: int
    sha256: str


def cut_text(path: Path, settings: FileSettings, n_bytes: int) -> tuple[str, tuple[Span, ...]]:
    """Return the hash of a text file, and its spans in their order.

    There is no span where the file is not one to be cut: a small one, one that is not in its
    encoding, or one whose headings or signs leave a doubt. It is then read whole, and the reader
    says what is wrong with it.

    Parameters
    ----------
    path
        An export.
    settings
        How it is written.
    n_bytes
        Bytes of a span.
    """
    n_bytes = max(n_bytes, FEWEST_BYTES) // 2 * 2  # a sign may take two
    if path.suffix.lower() not in CUT or not path.is_file() or path.stat().st_size < 2 * n_bytes:
        return "", ()
    with path.open("rb") as file:
        coding = find_coding(file.read(3), settings.encoding, settings.delimiter)
        head = _read_head(file, coding, settings.last_header_line) if coding else b""
        if not coding or not head:
            return "", ()
        try:
            return _cut(_read_batches(file, coding, n_bytes), coding, head)
        except UnicodeDecodeError:
            return "", ()


def _read_head(file: BinaryIO, coding: Coding, last_line: int) -> bytes:
    """Return the bytes up to the first record; nothing where that is in doubt."""
    file.seek(0)
    start = file.read(MOST_HEAD_BYTES)
    begin = coding.mark
    for _ in range(last_line - 1):
        end = find_line_end(start[begin:], coding)
        if not end:
            return b""
        begin += end
    ends = find_record_ends(start[begin:], coding)
    if not len(ends) or has_lone_return(start[begin : begin + ends[0]], coding):
        return b""
    file.seek(begin + ends[0])
    return start[: begin + ends[0]]


def _read_batches(file: BinaryIO, coding: Coding, n_bytes: int) -> Iterator[bytes]:
    """Yield the records that follow, in batches that end where a record surely ends."""
    rest, size = b"", n_bytes
    while True:
        content = rest + file.read(size - len(rest))
        if len(content) < size:
            break
        ends = find_record_ends(content, coding)
        if len(ends):
            yield content[: ends[-1]]
            rest = content[ends[-1] :]
            size = max(n_bytes, len(rest))
        else:
            rest, size = content, 2 * size
    if content:
        yield content


def _cut(batches: Iterator[bytes], coding: Coding, head: bytes) -> tuple[str, tuple[Span, ...]]:
    head[coding.mark :].decode(coding.codec)
    whole = hashlib.sha256(head)
    spans, start, skipped = [], len(head), 0
    for batch in batches:
        batch.decode(coding.codec)
        whole.update(batch)
        stop = start + len(batch)
        spans.append(Span(len(head), start, stop, skipped, hash_span(head, batch)))
        start, skipped = stop, skipped + count_lines(batch, coding)
    return whole.hexdigest(), tuple(spans)


def hash_span(head: bytes, records: bytes) -> str:
    """Return the hash of headings and records."""
    digest = hashlib.sha256(head)
    digest.update(records)
    return digest.hexdigest()
