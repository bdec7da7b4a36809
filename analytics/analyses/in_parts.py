"""The feet of a network, some parts at a time: what is asked of them, and rows laid aside.

Parts are taken together up to some tens of thousands of feet, so that what a batch costs by itself
is small beside its rows. Answers come in the order of the parts, whatever ends first. Rows that
are asked more than once are laid aside as arrays of numbers in a folder that goes at the end.
"""

from __future__ import annotations

import tempfile
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import Any, Protocol

import pandas as pd
import pyarrow as pa

from analytics.analyses.laid_aside import Laid, LaidBlocks, lay_aside
from analytics.analyses.view import View
from analytics.courses.cohort import Cohort, cohort_of_feet
from analytics.courses.network import Network
from analytics.definitions import protocol as windows
from analytics.definitions.columns import EXTRA_PREFIX
from analytics.definitions.foot_facts import FOOT
from analytics.intake.engine import Engine, Mapper, working
from analytics.intake.frames import KIND, from_arrow, read_codes, read_names, read_table

#: Feet from which on a batch is full. About a kilobyte of memory a foot while they are looked at.
BATCH_FEET = 50_000

_FILE = "cohort.arrow"


class Question(Protocol):
    """What is asked of feet; it goes to other processes, so it is plain data."""

    @property
    def columns(self) -> frozenset[str]:
        """Return the columns of the foot that it looks at, and other names, which do no harm."""

    def look(self, view: View) -> tuple[Any, Sequence[Any]]:
        """Return what adds up, and blocks of rows to lay aside; nothing in place of no rows."""


@dataclass(frozen=True)
class Asked:
    """What every batch answered: facts in order, and the rows that were laid aside."""

    facts: list[Any]
    each: LaidBlocks


@dataclass(frozen=True)
class Batches:
    """The feet of a network.

    Parameters
    ----------
    over
        Maps a function over pieces of work.
    places
        Folders of the parts of each batch.
    folder
        Where rows are laid aside; all workers see it.
    nobody
        The network's days and windows, without a foot.
    """

    over: Mapper
    places: tuple[tuple[Path, ...], ...]
    folder: Path
    nobody: Cohort

    def ask(self, questions: Sequence[Question]) -> list[Asked]:
        """Return what all batches answer to some questions, each read once.

        Parameters
        ----------
        questions
            What is asked.
        """
        kept = Path(tempfile.mkdtemp(dir=self.folder))
        pieces = [
            _Piece(places, kept, number, tuple(questions), self.nobody.cut_off,
                   self.nobody.protocol)
            for number, places in enumerate(self.places)
        ]  # fmt: skip
        facts: list[list[Any]] = [[] for _ in questions]
        laid: list[list[Laid]] = [[] for _ in questions]
        for answers in self.over(_ask, pieces):
            for place, (told, aside) in enumerate(answers):
                facts[place].append(told)
                laid[place] += [aside] if aside.begins else []
        each = (LaidBlocks(self.over, tuple(files), self.folder) for files in laid)
        return [Asked(*pair) for pair in zip(facts, each, strict=True)]


@dataclass(frozen=True)
class _Piece:
    places: tuple[Path, ...]
    folder: Path
    number: int
    questions: tuple[Question, ...]
    cut_off: date
    protocol: windows.Protocol


@contextmanager
def open_batches(network: Network, engine: Engine, *, full: int = BATCH_FEET) -> Iterator[Batches]:
    """Give the feet of a network in batches.

    Parameters
    ----------
    network
        Settled parts.
    engine
        Where batches are looked at; it changes no number.
    full
        Feet from which on a batch is full.
    """
    work = network.work
    feet = [read_table(part / _FILE, ["side"]).num_rows for part in network.parts]
    places = plan_batches(network.parts, feet, full)
    kind = engine.kind
    if kind == "auto":
        kind = "processes" if len(places) > 1 and engine.n_workers > 1 else "serial"
    nothing = pd.DataFrame({c.name: pd.array([], dtype=c.dtype) for c in FOOT})
    nobody = cohort_of_feet(nothing, work.cut_off, work.frame.protocol)
    with (
        tempfile.TemporaryDirectory(prefix="asked-", dir=work.folder) as folder,
        working(engine, kind) as over,
    ):
        yield Batches(over, places, Path(folder), nobody)


def plan_batches(
    parts: Sequence[Path], feet: Sequence[int], full: int
) -> tuple[tuple[Path, ...], ...]:
    """Return parts in batches of about so many feet, in order; parts without feet are in none."""
    batches: list[tuple[Path, ...]] = []
    batch, held = [], 0
    for part, n in zip(parts, feet, strict=True):
        if n:
            batch.append(part)
            held += n
        if held >= full:
            batches.append(tuple(batch))
            batch, held = [], 0
    return (*batches, tuple(batch)) if batch else tuple(batches)


def _ask(piece: _Piece) -> list[tuple[Any, Laid]]:
    wanted = frozenset[str]().union(*(question.columns for question in piece.questions))
    feet = read_feet(piece.places, wanted)
    view = View(cohort_of_feet(feet, piece.cut_off, piece.protocol))
    answers = []
    for place, question in enumerate(piece.questions):
        facts, blocks = question.look(view)
        path = piece.folder / f"{place}-{piece.number}"
        answers.append((facts, lay_aside(path, blocks)))
    return answers


def read_feet(places: Sequence[Path], wanted: frozenset[str]) -> pd.DataFrame:
    """Return some columns of the feet of some parts, children as numbers, texts as categories.

    A carried column that none of the parts has is missing.
    """
    tables, n_children = [], 0
    for place in places:
        there = read_names(place / _FILE)
        table = read_table(place / _FILE, [name for name in there if name in wanted])
        if "child" in there and "child" in wanted:
            table, n_children = _number(table, n_children)
        tables.append(table)
    feet = from_arrow(pa.concat_tables(tables, promote_options="default"), coded=True)
    carried = sorted(name for name in wanted if name.startswith(EXTRA_PREFIX))
    nothing = {name: pd.NA for name in carried if name not in feet.columns}
    return feet.assign(**nothing).astype(dict.fromkeys(nothing, "string"))


def _number(table: pa.Table, first: int) -> tuple[pa.Table, int]:
    """Return a part's feet with children as numbers from the first on, and the next number.

    Nobody asks for a child's pseudonym, only whether two feet are of one child, and a child is
    whole in a part.
    """
    codes, n_children = read_codes(table["child"])
    field = pa.field("child", pa.int64(), metadata={KIND: b"int64"})
    numbered = table.set_column(table.schema.names.index("child"), field, pa.array(codes + first))
    return numbered, first + n_children
