"""Rows that are asked more than once, laid aside in files as arrays of numbers, block by block."""

from __future__ import annotations

import pickle
import tempfile
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from itertools import chain, groupby
from pathlib import Path
from typing import Any, BinaryIO

import numpy as np

from analytics.intake.engine import Mapper


@dataclass(frozen=True)
class Laid:
    """Blocks of rows in a file, and where each begins."""

    path: Path
    begins: tuple[int, ...]


@dataclass(frozen=True)
class LaidBlocks:
    """Calls a step with each block that was laid aside, in order; one block of a file at a time.

    Parameters
    ----------
    over
        Maps a function over pieces of work.
    files
        Where the blocks are.
    folder
        Where further files may be made.
    """

    over: Mapper
    files: tuple[Laid, ...]
    folder: Path

    def __call__(self, step: Callable[..., Any], *told: Any) -> Iterator[Any]:
        """Yield what the step returns for each block."""
        return chain.from_iterable(self.over(_step, [(file, step, told) for file in self.files]))

    def join(
        self, pile: Sequence[int], join: Callable[..., Any], told: Sequence[Any]
    ) -> LaidBlocks:
        """Return the blocks of each pile as one, laid aside again.

        Parameters
        ----------
        pile
            Of each block.
        join
            Makes one of some blocks, given what is told of each.
        told
            Of each block.
        """
        where = [(file.path, begin) for file in self.files for begin in file.begins]
        order = sorted(range(len(where)), key=pile.__getitem__)
        kept = Path(tempfile.mkdtemp(dir=self.folder))
        pieces = []
        for number, at in groupby(order, key=pile.__getitem__):
            own = [*at]
            blocks = [where[block] for block in own]
            pieces.append((kept / str(number), join, blocks, [told[block] for block in own]))
        return LaidBlocks(self.over, tuple(self.over(_join, pieces)), self.folder)


def lay_aside(path: Path, blocks: Sequence[Any]) -> Laid:
    """Write blocks of rows in a file; none in no file."""
    if not blocks:
        return Laid(path, ())
    begins = []
    with path.open("wb") as file:
        for block in blocks:
            begins.append(file.tell())
            _Packer(file, pickle.HIGHEST_PROTOCOL).dump(block)
    return Laid(path, tuple(begins))


def _read(file: BinaryIO, begin: int) -> Any:
    file.seek(begin)
    return pickle.load(file)


def _step(piece: tuple[Laid, Callable[..., Any], tuple[Any, ...]]) -> list[Any]:
    laid, step, told = piece
    with laid.path.open("rb") as file:
        return [step(_read(file, begin), *told) for begin in laid.begins]


def _join(piece: tuple[Path, Callable[..., Any], list[tuple[Path, int]], list[Any]]) -> Laid:
    path, join, where, told = piece
    blocks = []
    for place, begin in where:
        with place.open("rb") as file:
            blocks.append(_read(file, begin))
    return lay_aside(path, [join(blocks, told)])


class _Packer(pickle.Pickler):
    """Writes numbers in the fewest bytes that hold them: days, codes and counts are small."""

    def reducer_override(self, obj: Any) -> Any:
        """Return how to make an array of a smaller one."""
        if type(obj) is not np.ndarray or obj.dtype not in (np.int64, np.float64):
            return NotImplemented
        small = pack(obj)
        return NotImplemented if small is obj else (_widen, (small, obj.dtype.str))


def pack(values: np.ndarray) -> np.ndarray:
    """Return numbers in the smallest type that holds each of them exactly; themselves if none."""
    if not values.size:
        return values
    for kind in (np.int8, np.int16, np.int32, np.float32):
        with np.errstate(invalid="ignore", over="ignore"):
            small = values.astype(kind)
            # A minus before a nought is lost on the way, and is told by no sum.
            if np.array_equal(small, values):
                return small
    return values


def _widen(small: np.ndarray, kind: str) -> np.ndarray:
    return small.astype(kind)
