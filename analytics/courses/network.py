"""A whole network: exports to settled parts, on any engine; ``together`` makes one of them.

A part is some files; a child that is in two parts goes, with all its rows, to a bucket of its own.
So every child is whole somewhere, and each part or bucket is settled and followed by itself. What
comes out is the same for one part or many, in one process or many, whatever ends first.
"""

from __future__ import annotations

import json
import shutil
import tempfile
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field
from datetime import date
from itertools import groupby
from pathlib import Path
from typing import Any

import numpy as np

from analytics.courses.pieces import (
    SOURCES,
    Bucket,
    Looked,
    Piece,
    Work,
    let_in,
    look,
    settle_bucket,
    settle_part,
)
from analytics.courses.stamp import stamp_of, stamp_program, stamp_secret
from analytics.intake.course import Frame
from analytics.intake.engine import Engine, Mapper, telling_disk, working
from analytics.intake.identity import check_key
from analytics.intake.load import Programme, refuse_same_file
from analytics.intake.map_types import SourceMap
from analytics.intake.part import (
    Part,
    are_among,
    count_buckets,
    count_bytes,
    cut_part,
    find_shared,
    join_sources,
    plan_parts,
)
from analytics.intake.records import Source
from analytics.intake.submission import Door
from analytics.intake.whole import refuse_whole

#: Bytes of exports up to which this process looks at them itself, while the others start.
NEAR_BYTES = 50_000_000

#: How long a part is kept that no run has a use for.
KEPT_SECONDS = 7 * 24 * 3600


@dataclass(frozen=True)
class Exports:
    """What a network is made from.

    Parameters
    ----------
    sources
        Exports, each with its source map, in the order in which they count.
    key
        Secret of the pseudonyms; it is used and not kept.
    programme
        Clinics, days, windows and corrections.
    cut_off
        Day as of which feet are followed.
    """

    sources: Sequence[tuple[Path, SourceMap]]
    key: str = field(repr=False)
    programme: Programme
    cut_off: date

    @property
    def door(self) -> Door:
        """Return what rows are held against as they are read."""
        clinics = self.programme.clinics
        known = frozenset(clinics["clinic"]) if clinics is not None else frozenset()
        return Door(check_key(self.key), known, self.programme.corrections)

    @property
    def frame(self) -> Frame:
        """Return the days and windows that records are held against."""
        programme = self.programme
        return Frame(programme.protocol, programme.extracted_on, programme.started_on)

    @property
    def n_bytes(self) -> int:
        """Return about how many bytes of text the exports hold."""
        return sum(count_bytes(path) for path, _ in self.sources)


@dataclass(frozen=True)
class Network:
    """Settled parts of a network, one folder for each; ``sources`` in the order of all exports."""

    work: Work
    parts: tuple[Path, ...]
    sources: tuple[Source, ...]


@contextmanager
def settle_network(exports: Exports, engine: Engine) -> Iterator[Network]:
    """Give the settled parts of a network; those kept from an earlier run are not made again.

    Parameters
    ----------
    exports
        What it is made from.
    engine
        Where the work is done and what is kept; it changes no number.

    Raises
    ------
    ExportFileError, SourceMapError
        When an export cannot be read, or its map and it disagree.
    WorkError, OutputError
        When the work was cut off; parts that were done are kept.
    """
    refuse_same_file(exports.sources)
    with _folder(engine) as folder:
        work = _work(exports, folder)
        with working(engine, engine.choose(exports.n_bytes)) as over:
            near: Mapper = map if exports.n_bytes < NEAR_BYTES else over
            parts = _plan(near, exports, engine.size_parts(exports.n_bytes))
            made = _settle_all(over, work, parts, [*near(look, [(work, part) for part in parts])])
        own = [_read_sources(place) for place in made[: len(parts)]]
        read = tuple(join_sources(parts, own))
        _forget_others(folder, made)
        yield Network(work, made, read)


def _plan(over: Mapper, exports: Exports, part_bytes: int) -> list[Part]:
    """Return the parts; a large text file makes several."""
    asked = [(part, part_bytes) for part in plan_parts(exports.sources, part_bytes)]
    return [piece for cut in over(cut_part, asked) for piece in cut]


def _judge_whole(work: Work, parts: Sequence[Part], looked: Sequence[Looked]) -> None:
    """Refuse exports that were cut for what only all their rows can tell."""
    cut = [(part, one.said) for part, one in zip(parts, looked, strict=True) if part.span]
    for _, same in groupby(cut, key=lambda pair: pair[0].first):
        spans, answers = zip(*same, strict=True)
        said = [answer for answer in answers if answer is not None]
        if len(said) == len(answers):  # else it was let in before
            refuse_whole(said, spans[0].sources[0][1])
        let_in(work, spans[0])


def _settle_all(
    over: Mapper, work: Work, parts: Sequence[Part], looked: Sequence[Looked]
) -> tuple[Path, ...]:
    """Settle every part, then every bucket, and return their folders in that order."""
    _judge_whole(work, parts, looked)
    shared = find_shared([one.children for one in looked])
    n_buckets = count_buckets(len(shared))
    pieces = [
        Piece(work, part, one.hashes, _find_own(one, shared), n_buckets)
        for part, one in zip(parts, looked, strict=True)
    ]
    _do(over, settle_part, pieces)
    places = tuple(piece.place for piece in pieces)
    buckets = [Bucket(work, number, places) for number in range(n_buckets)]
    _do(over, settle_bucket, buckets)
    return (*places, *(bucket.place for bucket in buckets))


def _find_own(looked: Looked, shared: np.ndarray) -> np.ndarray:
    children = np.load(looked.children)
    return children[are_among(children, shared)]


def _do(over: Mapper, settle: Callable[[Any], None], pieces: Sequence[Piece | Bucket]) -> None:
    """Settle the pieces whose folder is not there yet."""
    for _ in over(settle, [piece for piece in pieces if not piece.place.is_dir()]):
        pass


@contextmanager
def _folder(engine: Engine) -> Iterator[Path]:
    if engine.cache is None:
        with tempfile.TemporaryDirectory(prefix="talipes-") as folder:
            yield Path(folder)
        return
    with telling_disk(engine.cache):
        engine.cache.mkdir(parents=True, exist_ok=True)
    yield engine.cache


def _work(exports: Exports, folder: Path) -> Work:
    programme, cut_off = exports.programme, exports.cut_off
    door, frame = exports.door, exports.frame
    listed = "" if programme.clinics is None else programme.clinics.to_csv()
    corrections = programme.corrections.to_csv()
    stamp = stamp_of(stamp_program(), stamp_secret(door.key), frame, listed, corrections, cut_off)
    return Work(door, frame, programme.clinics, cut_off, folder, stamp)


def _read_sources(place: Path) -> list[Source]:
    told = json.loads((place / SOURCES).read_text(encoding="utf-8"))
    return [Source(**source) for source in told]


def _forget_others(folder: Path, made: Sequence[Path]) -> None:
    """Take away what no run had a use for lately; another run may be at work beside this one."""
    for path in made:
        path.touch()
    kept = {path.name for path in made}
    until = time.time() - KEPT_SECONDS
    for path in folder.iterdir():
        with suppress(FileNotFoundError):  # another run was first
            if path.name in kept or path.stat().st_mtime > until:
                continue
            shutil.rmtree(path, ignore_errors=True) if path.is_dir() else path.unlink()
