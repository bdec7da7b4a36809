"""Settled parts together: feet and sums in memory, rows where they are, whatever their number."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import date

import numpy as np
import pandas as pd
import pyarrow as pa

from analytics.courses.cohort import USES, Cohort, shrink_uses
from analytics.courses.network import Exports, settle_network
from analytics.courses.parts import name_frames, read_settled
from analytics.courses.pieces import follow_settled
from analytics.definitions.columns import EXTRA_PREFIX
from analytics.definitions.protocol import Protocol
from analytics.intake.canonical import shape_table
from analytics.intake.close import close, join_tables, total_parts
from analytics.intake.engine import WORTH_PROCESSES, Engine
from analytics.intake.frames import from_arrow
from analytics.intake.kept import Folder, Held, Kept, stack_tables
from analytics.intake.load import Programme, refuse_same_file
from analytics.intake.part import Part, read_part
from analytics.intake.records import Records, Source
from analytics.intake.settle import settle
from analytics.intake.texts import plain_frame


@dataclass(frozen=True)
class Parts:
    """The settled parts of a network: one in memory, or any number in folders.

    Parameters
    ----------
    each
        The parts; a child is in one of them alone.
    sources
        The exports in their order.
    programme
        Its clinics, windows and corrections.
    cut_off
        Day as of which feet were followed.
    """

    each: tuple[Kept, ...]
    sources: tuple[Source, ...]
    programme: Programme
    cut_off: date

    @property
    def protocol(self) -> Protocol:
        """Return the windows in force."""
        return self.programme.protocol


@contextmanager
def open_parts(exports: Exports, engine: Engine) -> Iterator[Parts]:
    """Give the settled parts of exports; a small network is one in memory, and nothing is kept.

    Parameters
    ----------
    exports
        What they are made from.
    engine
        Where the work is done and what is kept; it changes no number.

    Raises
    ------
    ExportFileError, SourceMapError, WorkError, OutputError
        As ``settle_network``.
    """
    programme, n_bytes = exports.programme, exports.n_bytes
    if engine.choose(n_bytes) == "serial" and n_bytes < WORTH_PROCESSES:
        held, sources = _settle_here(exports)
        yield Parts((held,), sources, programme, exports.cut_off)
        return
    with settle_network(exports, engine) as network:
        each = tuple(Folder(place) for place in network.parts)
        yield Parts(each, network.sources, programme, exports.cut_off)


def _settle_here(exports: Exports) -> tuple[Held, tuple[Source, ...]]:
    refuse_same_file(exports.sources)
    programme = exports.programme
    gathered, sources = read_part(Part(0, tuple(exports.sources)), exports.door)
    settled = settle(gathered, exports.frame, programme.corrections)
    followed = follow_settled(settled, programme.clinics, exports.cut_off, programme.protocol)
    frames = name_frames(settled, followed)
    return Held({name: plain_frame(frame) for name, frame in frames.items()}), sources


def gather_cohort(parts: Parts) -> Cohort:
    """Return the cohort of all parts; the same for one or many.

    Parameters
    ----------
    parts
        Settled parts; their visits and the ledger's lines stay where they are.

    Raises
    ------
    BalanceError, RecordsError
        As ``intake.close.total_parts``.
    """
    return Cohort(
        feet=_gather_feet(parts),
        uses=_gather_uses(parts),
        clinics=gather_clinics(parts),
        cut_off=parts.cut_off,
        protocol=parts.protocol,
        totals=total_parts(parts.each, parts.sources, parts.programme.corrections),
    )


def gather_clinics(parts: Parts) -> pd.DataFrame:
    """Return the programme's clinics; without a list of them, those that occur."""
    told = parts.programme.clinics
    if told is not None:
        return shape_table(told, "clinics")
    return join_tables([part.read("clinics") for part in parts.each], "clinics")


def gather_records(parts: Parts) -> Records:
    """Return all records in memory, which takes about 2 kB a row; no report needs them.

    Parameters
    ----------
    parts
        Settled parts.

    Raises
    ------
    BalanceError, RecordsError
        As ``intake.close.close``.
    """
    programme = parts.programme
    return close(
        [read_settled(part) for part in parts.each],
        parts.sources,
        clinics=programme.clinics,
        corrections=programme.corrections,
    )


def _gather_feet(parts: Parts) -> pd.DataFrame:
    table = stack_tables(parts.each, "cohort")
    carried = sorted(name for name in table.column_names if name.startswith(EXTRA_PREFIX))
    own = [name for name in table.column_names if name not in carried]
    return from_arrow(_in_order(table.select([*own, *carried]), ("child", "side")))


def _gather_uses(parts: Parts) -> pd.DataFrame:
    table = stack_tables(parts.each, "uses", USES)
    return shrink_uses(from_arrow(_in_order(table, USES[:3])))


def _in_order(table: pa.Table, keys: tuple[str, ...]) -> pa.Table:
    """Return an Arrow table sorted by some of its columns, without a copy of it as a frame."""
    frame = from_arrow(table.select(list(keys)))
    order = np.lexsort([pd.factorize(frame[name], sort=True)[0] for name in reversed(keys)])
    return table if np.array_equal(order, np.arange(len(order))) else table.take(pa.array(order))
