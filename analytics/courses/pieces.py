"""Pieces of work on a network: each looks at, or settles, some exports or some children.

A piece is plain data and can be sent to any process; what it makes is a folder of the work.
"""

from __future__ import annotations

import json
import shutil
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import asdict, dataclass
from datetime import date
from pathlib import Path

import numpy as np
import pandas as pd

from analytics.courses.build import Followed, follow_feet
from analytics.courses.parts import read_dealt, write_dealt, write_kept
from analytics.courses.stamp import stamp_of
from analytics.definitions.protocol import Protocol
from analytics.intake.course import Frame
from analytics.intake.frames import move_in_place
from analytics.intake.gathered import Gathered
from analytics.intake.ledger import Ledger
from analytics.intake.part import (
    Part,
    ask_part,
    deal_rows,
    find_children,
    read_part,
)
from analytics.intake.records import Records
from analytics.intake.settle import Settled, settle
from analytics.intake.submission import Door
from analytics.intake.whole import Said

SOURCES = "sources.json"


@dataclass(frozen=True)
class Work:
    """What every part of one run is held against.

    Parameters
    ----------
    door, frame, clinics
        What intake needs of the programme.
    cut_off
        Day as of which feet are followed.
    folder
        Where parts are kept: a folder that all workers see.
    stamp
        Hash of all the above and of the program.
    """

    door: Door
    frame: Frame
    clinics: pd.DataFrame | None
    cut_off: date
    folder: Path
    stamp: str

    def place(self, *names: object) -> Path:
        """Return the folder of what these names and the stamp tell apart."""
        return self.folder / stamp_of(self.stamp, *names)


@dataclass(frozen=True)
class Piece:
    """One part to settle: its exports' hashes, and the children that are elsewhere too."""

    work: Work
    part: Part
    hashes: tuple[str, ...]
    shared: np.ndarray
    n_buckets: int

    @property
    def place(self) -> Path:
        """Return the folder of the settled part."""
        maps = [source_map.sha256 + repr(source_map) for _, source_map in self.part.sources]
        names = [path.name for path, _ in self.part.sources]
        shared = self.shared.tobytes()
        return self.work.place(self.part.first, names, self.hashes, maps, shared, self.n_buckets)


@dataclass(frozen=True)
class Bucket:
    """Children that are in several parts: the number of their bucket, and the parts."""

    work: Work
    number: int
    parts: tuple[Path, ...]

    @property
    def place(self) -> Path:
        """Return the folder of the settled bucket."""
        return self.work.place(self.number, [part.name for part in self.parts])


@dataclass(frozen=True)
class Looked:
    """What the first look at a part found.

    Parameters
    ----------
    hashes
        Hash of each export, or of the span of one.
    children
        File with the numbers of the children in it, sorted.
    said
        What the rows say of their export as a whole; nothing where it is not cut, or was let in.
    """

    hashes: tuple[str, ...]
    children: Path
    said: Said | None = None


def look(piece: tuple[Work, Part]) -> Looked:
    """Return the hashes of a part's exports; the numbers of the children in it go to a file."""
    work, part = piece
    hashes = part.hash_exports()
    maps = [repr(source_map) for _, source_map in part.sources]
    kept = work.place("children", hashes, maps).with_suffix(".npy")
    if kept.is_file() and (part.span is None or is_let_in(work, part)):
        kept.touch()
        return Looked(hashes, kept)
    children, said = (
        ask_part(part, work.door) if part.span else (find_children(part, work.door), None)
    )
    with tempfile.TemporaryDirectory(dir=work.folder, suffix=".part") as made:
        file = Path(made, kept.name)
        np.save(file, children)
        file.replace(kept)
    return Looked(hashes, kept, said)


def is_let_in(work: Work, part: Part) -> bool:
    """Return whether the whole of a cut export was judged before, and nothing was wrong with it."""
    return _mark(work, part).is_file()


def let_in(work: Work, part: Part) -> None:
    """Note that nothing is wrong with the whole of a cut export."""
    _mark(work, part).touch()


def _mark(work: Work, part: Part) -> Path:
    maps = [repr(source_map) for _, source_map in part.sources]
    return work.place("let in", part.sha256, maps).with_suffix(".whole")


def settle_part(piece: Piece) -> None:
    """Settle the children that are in one part alone, and lay the rows of the others aside."""
    with _making(piece.place) as folder:
        _settle(piece.work, [_read_own(piece, folder)], folder)


def _read_own(piece: Piece, folder: Path) -> Gathered:
    gathered, sources = read_part(piece.part, piece.work.door)
    own, dealt = deal_rows(gathered, piece.shared, piece.n_buckets)
    if piece.n_buckets:
        write_dealt(folder, dealt)
    told = [asdict(source) for source in sources]
    (folder / SOURCES).write_text(json.dumps(told), encoding="utf-8")
    return own


def settle_bucket(bucket: Bucket) -> None:
    """Settle the children of one bucket, from the rows that all parts laid aside."""
    with _making(bucket.place) as folder:
        _settle(bucket.work, [read_dealt(bucket.parts, bucket.number)], folder)


def _settle(work: Work, only: list[Gathered], folder: Path) -> None:
    """Settle rows that nobody else holds: they are let go before what was settled is written."""
    settled = settle(only.pop(), work.frame, work.door.corrections)
    protocol = work.frame.protocol
    write_kept(folder, settled, follow_settled(settled, work.clinics, work.cut_off, protocol))


def follow_settled(
    settled: Settled, clinics: pd.DataFrame | None, cut_off: date, protocol: Protocol
) -> Followed:
    """Return what was found of the feet of a part; without clinics, those that occur are all."""
    tables = settled.tables if clinics is None else settled.tables | {"clinics": clinics}
    records = Records(**tables, ledger=Ledger(**settled.books), sources=())
    return follow_feet(records, cut_off, protocol)


@contextmanager
def _making(place: Path) -> Iterator[Path]:
    """Give a folder that takes its name only when all of it is written."""
    made = Path(tempfile.mkdtemp(dir=place.parent, suffix=".part"))
    try:
        yield made
        move_in_place(made, place)
    finally:
        shutil.rmtree(made, ignore_errors=True)
