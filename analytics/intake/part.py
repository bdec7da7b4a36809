"""Parts of the exports: some files each, and the children that are not in one part alone."""

from __future__ import annotations

import hashlib
import os
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from itertools import groupby, pairwise
from operator import itemgetter
from pathlib import Path

import numpy as np
import pandas as pd

from analytics.intake.cut import Span, cut_text
from analytics.intake.frames import take_places, with_columns
from analytics.intake.gathered import Gathered, gather
from analytics.intake.map_types import SourceMap
from analytics.intake.quick_ids import read_ids
from analytics.intake.records import Source
from analytics.intake.submission import Door, read_span, read_submissions
from analytics.intake.texts import factorize
from analytics.intake.whole import Said, ask_span

#: Bytes of text that a byte of a packed export stands for, about.
PACKED = {".xlsx": 8, ".xlsm": 8, ".ods": 8, ".zip": 6, ".parquet": 8, ".xls": 2}

#: Bytes of numbers of children that are compared at a time.
RANGE_BYTES = 8_000_000

#: Children in one bucket of those that are in several parts: about the rows of a part.
BUCKET_CHILDREN = 4_000


@dataclass(frozen=True)
class Part:
    """Exports that are read together.

    Parameters
    ----------
    first
        Place of the first of them among all.
    sources
        Exports with their maps.
    span
        Which rows of the only export are meant, where it is cut; nothing where all are.
    sha256
        Hash of the whole export, where it is cut.
    """

    first: int
    sources: tuple[tuple[Path, SourceMap], ...]
    span: Span | None = None
    sha256: str = ""

    def hash_exports(self) -> tuple[str, ...]:
        """Return the hash of the bytes of each export, or of the rows that are meant."""
        if self.span is not None:
            return (f"{self.span.sha256} after {self.span.skipped} lines",)
        return tuple(hash_export(path) for path, _ in self.sources)


@dataclass(frozen=True)
class Dealt:
    """Rows of children that are in other parts too.

    Parameters
    ----------
    rows
        The rows, those of a bucket together.
    ends
        Where each bucket begins among them, and where the last one ends.
    """

    rows: Gathered
    ends: np.ndarray


def plan_parts(sources: Sequence[tuple[Path, SourceMap]], part_bytes: int) -> list[Part]:
    """Return the exports in parts of about the same size, in their order."""
    parts: list[list[tuple[Path, SourceMap]]] = []
    room = 0
    for source in sources:
        size = count_bytes(source[0])
        if not parts or (room < size and parts[-1]):
            parts.append([])
            room = part_bytes
        parts[-1].append(source)
        room -= size
    firsts = np.cumsum([0, *map(len, parts)])
    return [Part(int(first), tuple(part)) for first, part in zip(firsts, parts, strict=False)]


def cut_part(asked: tuple[Part, int]) -> list[Part]:
    """Return a part as it is, or one for each span of its export where that is a large text file.

    Parameters
    ----------
    asked
        The part, and how many bytes make one.
    """
    part, part_bytes = asked
    (path, source_map), *others = part.sources
    if others or source_map.shape == "fhir":
        return [part]
    sha256, spans = cut_text(path, source_map.file, part_bytes)
    return [replace(part, span=span, sha256=sha256) for span in spans] or [part]


def count_bytes(path: Path) -> int:
    """Return about how many bytes of text an export holds; 0 where it is not there."""
    if not path.exists():
        return 0
    return sum(file.stat().st_size * PACKED.get(file.suffix.lower(), 1) for file in _files(path))


def hash_export(path: Path) -> str:
    """Return the hash of an export's bytes, and of the names in a folder; empty without one."""
    if not path.exists():
        return ""
    digest = hashlib.sha256()
    for file in _files(path):
        digest.update(os.fsencode(file.relative_to(path)) + b"\0")
        with file.open("rb") as opened:
            digest.update(hashlib.file_digest(opened, "sha256").digest())
    return digest.hexdigest()


def _files(path: Path) -> Iterable[Path]:
    return sorted(f for f in path.rglob("*") if f.is_file()) if path.is_dir() else [path]


def find_children(part: Part, door: Door) -> np.ndarray:
    """Return the numbers of the children that occur in a part, sorted; no child is left out."""
    found = [read_ids(path, source_map, door) for path, source_map in part.sources]
    return np.unique(np.concatenate([number_children(child) for child in found]))


def ask_part(part: Part, door: Door) -> tuple[np.ndarray, Said]:
    """Return the numbers of the children in a span, sorted, and what its export is asked."""
    ((path, source_map),) = part.sources
    assert part.span is not None
    children, said = ask_span(path, source_map, door, part.span)
    return np.unique(number_children(children)), said


def number_children(child: Iterable[object]) -> np.ndarray:
    """Return a number for each pseudonym.

    Two children may have one number, but then they are only treated as if each were in two parts.
    """
    held = np.array([*child], dtype=object)
    return pd.util.hash_array(held, categorize=False) if len(held) else np.array([], np.uint64)


def join_sources(parts: Sequence[Part], sources: Sequence[Sequence[Source]]) -> list[Source]:
    """Return the exports of all parts, one that was cut as one.

    Parameters
    ----------
    parts
        Parts in their order.
    sources
        Exports of each.
    """
    joined: list[Source] = []
    for part, own in zip(parts, sources, strict=True):
        if part.span is None:
            joined += own
        elif part.span.skipped:
            joined[-1] = replace(joined[-1], n_rows=joined[-1].n_rows + own[0].n_rows)
        else:
            joined.append(replace(own[0], sha256=part.sha256))
    return joined


def find_shared(kept: Sequence[Path]) -> np.ndarray:
    """Return the numbers that occur in more than one part, sorted.

    Parameters
    ----------
    kept
        A file for each part with the numbers of its children, sorted. They are looked at range by
        range, so that those of a few parts are in memory and not those of all.
    """
    n_ranges = 1 + sum(path.stat().st_size for path in kept) // RANGE_BYTES
    edges = [place * 2**64 // n_ranges for place in range(n_ranges + 1)]
    found = [_find_repeated(kept, low, high) for low, high in pairwise(edges)]
    return np.concatenate([np.array([], dtype=np.uint64), *found])


def are_among(numbers: np.ndarray, held: np.ndarray) -> np.ndarray:
    """Return for each number whether it is among others, which are sorted."""
    if not len(held):
        return np.zeros(len(numbers), dtype=bool)
    return held[np.minimum(np.searchsorted(held, numbers), len(held) - 1)] == numbers


def _find_repeated(kept: Sequence[Path], low: int, high: int) -> np.ndarray:
    numbers = np.concatenate([_read_between(path, low, high) for path in kept])
    numbers.sort()
    return np.unique(numbers[1:][numbers[1:] == numbers[:-1]])


def _read_between(path: Path, low: int, high: int) -> np.ndarray:
    """Return the numbers of a file from one on up to below another."""
    numbers = np.load(path, mmap_mode="r")
    begin = np.searchsorted(numbers, np.uint64(low))
    end = len(numbers) if high >= 2**64 else np.searchsorted(numbers, np.uint64(high))
    return np.array(numbers[begin:end])


def count_buckets(n_shared: int) -> int:
    """Return how many buckets the children in several parts are dealt to."""
    return -(-n_shared // BUCKET_CHILDREN)


def read_part(part: Part, door: Door) -> tuple[Gathered, tuple[Source, ...]]:
    """Return the rows of a part, and its exports.

    Raises
    ------
    ExportFileError, SourceMapError
        When an export cannot be read, or its map and it disagree.
    """
    if part.span is not None:
        ((path, source_map),) = part.sources
        submission = read_span(path, source_map, door, part.span)
        gathered = gather([submission], first=part.first, skipped=part.span.skipped)
        return gathered, submission.sources
    submissions = [
        submission
        for source_map, same in groupby(part.sources, key=itemgetter(1))
        for submission in read_submissions([path for path, _ in same], source_map, door)
    ]
    sources = tuple(source for submission in submissions for source in submission.sources)
    return gather(submissions, first=part.first), sources


def deal_rows(gathered: Gathered, shared: np.ndarray, n_buckets: int) -> tuple[Gathered, Dealt]:
    """Return the rows of children in this part alone, and those of the others by bucket.

    Parameters
    ----------
    gathered
        Rows of a part.
    shared
        Numbers of the children that are in other parts too, sorted.
    n_buckets
        How many buckets there are.
    """
    codes, distinct = factorize(gathered.rows["child"])
    numbers = number_children(distinct)
    bucket = np.where(
        are_among(numbers, shared), (numbers % np.uint64(max(n_buckets, 1))).astype(np.int64), -1
    )
    of_row = np.append(bucket, -1)[codes]
    ends = np.cumsum([0, *np.bincount(of_row[of_row >= 0], minlength=n_buckets)])
    dealt = Dealt(take_rows(gathered, of_row), ends)
    own = take_rows(gathered, np.where(of_row < 0, 0, -1)) if ends[-1] else gathered
    return own, dealt


def take_rows(gathered: Gathered, group: np.ndarray) -> Gathered:
    """Return some of the rows with all that they say, numbered anew.

    Parameters
    ----------
    gathered
        Rows.
    group
        Group of each; those of a group come together, in their order, -1 is left out.
    """
    chosen = _in_groups(group, np.arange(len(group)))
    new = np.empty(len(group), dtype=np.int64)
    new[chosen] = np.arange(len(chosen))

    def take(frame: pd.DataFrame) -> pd.DataFrame:
        seq = frame["seq"].to_numpy(dtype=np.int64)
        at = _in_groups(group, seq)
        return with_columns(take_places(frame, at), seq=new[seq[at]])

    return replace(
        gathered,
        rows=take_places(gathered.rows, chosen),
        visits=take(gathered.visits),
        facts={table: take(facts) for table, facts in gathered.facts.items()},
        troubles=take(gathered.troubles),
        tried=take(gathered.tried),
    )


def _in_groups(group: np.ndarray, seq: np.ndarray) -> np.ndarray:
    """Return the places of what is in a group, those of one group together."""
    own = group[seq]
    at = np.flatnonzero(own >= 0)
    return at[np.argsort(own[at], kind="stable")]
