"""A settled part, held in memory or kept in a folder: the same frames by the same names.

Names are those of the canonical tables, ``book_`` and a book of the ledger, ``count_`` and ``sum_``
and what adds up, ``doubles``, ``tried``, and what was found of the feet: ``cohort`` and ``uses``.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Protocol

import pandas as pd
import pyarrow as pa

from analytics.intake.frames import from_arrow, read_frame, read_table, to_arrow
from analytics.intake.texts import plain_frame


class Kept(Protocol):
    """Rows of whole children, frame by frame."""

    def read(self, name: str, columns: Sequence[str] | None = None) -> pd.DataFrame:
        """Return a frame, or some of its columns."""

    def read_table(self, name: str, columns: Sequence[str] | None = None) -> pa.Table:
        """Return a frame, or some of its columns, as an Arrow table."""


@dataclass(frozen=True)
class Held:
    """A part in memory."""

    frames: Mapping[str, pd.DataFrame]

    def read(self, name: str, columns: Sequence[str] | None = None) -> pd.DataFrame:
        """Return a frame, or some of its columns."""
        frame = self.frames[name]
        return plain_frame(frame if columns is None else frame[list(columns)])

    def read_table(self, name: str, columns: Sequence[str] | None = None) -> pa.Table:
        """Return a frame, or some of its columns, as an Arrow table."""
        return to_arrow(self.read(name, columns))


@dataclass(frozen=True)
class Folder:
    """A part in a folder, one Arrow file for each frame."""

    place: Path

    def read(self, name: str, columns: Sequence[str] | None = None) -> pd.DataFrame:
        """Return a frame, or some of its columns."""
        return read_frame(self.place / f"{name}.arrow", columns)

    def read_table(self, name: str, columns: Sequence[str] | None = None) -> pa.Table:
        """Return a frame, or some of its columns, as an Arrow table."""
        return read_table(self.place / f"{name}.arrow", columns)


def stack_parts(
    parts: Sequence[Kept], name: str, columns: Sequence[str] | None = None
) -> pd.DataFrame:
    """Return a frame of all parts, those of the first part first."""
    return from_arrow(stack_tables(parts, name, columns))


def stack_tables(
    parts: Sequence[Kept], name: str, columns: Sequence[str] | None = None
) -> pa.Table:
    """Return a frame of all parts as an Arrow table, which takes a fraction of the memory.

    A column that a part lacks is missing there.
    """
    tables = [part.read_table(name, columns) for part in parts]
    return pa.concat_tables(tables, promote_options="default")
