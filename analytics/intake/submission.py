"""One export with its map, translated: visits as pieces, facts of children and feet, addresses."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from itertools import groupby
from pathlib import Path

import numpy as np
import pandas as pd

from analytics.definitions.columns import EXTRA_PREFIX, TABLES
from analytics.errors import SourceMapError
from analytics.intake.correct import Tried, book_tried, correct_cells, join_children, remove_rows
from analytics.intake.cut import Span
from analytics.intake.facts import find_troubles, join_troubles, read_facts
from analytics.intake.fhir import read_resources
from analytics.intake.frames import stack_frames, with_columns
from analytics.intake.headings import check_headings, read_headings
from analytics.intake.identity import key_texts
from analytics.intake.ledger import no_corrections
from analytics.intake.map_types import SourceMap
from analytics.intake.mapped_sheet import MappedSheet, texts_of
from analytics.intake.merge import first_rows
from analytics.intake.read import Sheet, read_sheet
from analytics.intake.records import Source
from analytics.intake.reshape import reshape_visits
from analytics.intake.stacked import Stacked, stack_sheets
from analytics.intake.texts import put_text, repeat_text
from analytics.intake.translate import translate


@dataclass(frozen=True)
class Submission:
    """What exports of one map say, before anything is merged or checked; texts are coded.

    Parameters
    ----------
    rows
        One row for each input row: ``file, sheet, line, child, clinic, reason`` (missing unless
        the row as a whole cannot be used).
    visits
        Pieces: ``row, piece, reason`` and the columns of visits.
    facts
        Table to what the rows say of children, feet and departures: ``row`` and the columns;
        children have ``link`` too.
    troubles
        Values that could not be used.
    sources
        The exports.
    tried
        Corrections of these exports, tried (``correct.TRIED_COLUMNS``).
    """

    rows: pd.DataFrame
    visits: pd.DataFrame
    facts: dict[str, pd.DataFrame]
    troubles: pd.DataFrame
    sources: tuple[Source, ...]
    tried: pd.DataFrame


@dataclass(frozen=True)
class Door:
    """What every export is held against as it comes in.

    Parameters
    ----------
    key
        Secret of the pseudonyms.
    clinics
        Codes of the programme's clinics; empty when it has no list.
    corrections
        Corrections that came back from clinics (``intake.corrections``).
    """

    key: bytes = field(repr=False)
    clinics: frozenset[str] = frozenset()
    corrections: pd.DataFrame = field(default_factory=no_corrections)


def read_submissions(paths: Sequence[Path], source_map: SourceMap, door: Door) -> list[Submission]:
    """Return what the exports of one map say, in their order.

    Exports with the same headings that follow each other are read as one, because a column is
    translated by its distinct texts: many small files then cost no more than one large one.

    Parameters
    ----------
    paths
        The exports.
    source_map
        How they are written.
    door
        Key, clinics and corrections.

    Raises
    ------
    ExportFileError
        When a file cannot be read.
    SourceMapError
        When the map and an export disagree, or a text column looks like direct identifiers.
    """
    refuse_doubtful(source_map)
    sheets = (sheet for path in paths for sheet in open_sheets(path, source_map, door.clinics))
    stacks = groupby(sheets, key=lambda sheet: tuple(sheet.cells.columns))
    stacked = [stack_sheets([*same]) for _, same in stacks]
    return [_translate(*_correct(stack, source_map, door), door) for stack in stacked]


def read_span(path: Path, source_map: SourceMap, door: Door, span: Span) -> Submission:
    """Return what some rows of an export say that ``intake.whole`` has let in as a whole."""
    stack = stack_sheets([open_span(path, source_map, span)])
    stack, corrected = correct_cells(stack, source_map, door.corrections)
    return _translate(MappedSheet(stack, source_map), corrected, door)


def refuse_doubtful(source_map: SourceMap) -> None:
    """Raise ``SourceMapError`` when a map has choices that nobody has settled."""
    if source_map.doubtful:
        raise SourceMapError(
            f"the map '{source_map.name}' still has {len(source_map.doubtful)} doubtful choices",
            where="; ".join(source_map.doubtful),
            todo="settle each in the map, then take it out of 'doubtful'",
        )


def open_sheets(path: Path, source_map: SourceMap, clinics: frozenset[str]) -> list[Sheet]:
    """Return sheets whose headings are those of the map, without the columns nobody reads."""
    wanted = read_headings(source_map)
    if source_map.shape == "fhir":
        sheets = read_resources(path, wanted)
    else:
        sheets = [read_sheet(path, source_map.file, wanted=wanted)]
        check_headings(source_map, sheets[0])
    for sheet in sheets:
        MappedSheet(stack_sheets([sheet]), source_map).refuse_identifiers(clinics)
    return sheets


def open_span(path: Path, source_map: SourceMap, span: Span) -> Sheet:
    """Return some rows of an export under the headings that its map reads."""
    sheet = read_sheet(path, source_map.file, span, wanted=read_headings(source_map))
    check_headings(source_map, sheet)
    return sheet


def _correct(stack: Stacked, source_map: SourceMap, door: Door) -> tuple[MappedSheet, list[Tried]]:
    """Return corrected rows beside their map, and what was tried; refuse what cannot be let in."""
    stack, corrected = correct_cells(stack, source_map, door.corrections)
    reader = MappedSheet(stack, source_map)
    if len(corrected):
        reader.refuse_identifiers(door.clinics)
    _refuse_unmapped(reader, door.clinics)
    return reader, corrected


def _translate(reader: MappedSheet, corrected: list[Tried], door: Door) -> Submission:
    stack, source_map = reader.sheet, reader.source_map
    rows, removed = remove_rows(stack, _read_rows(reader, door.key), door.corrections)
    rows, joined = join_children(rows, door.corrections)
    visits, of_visits = _read_visits(reader, rows)
    facts, of_facts = read_facts(reader, rows, door.key)
    troubles = join_troubles(of_visits + of_facts)
    is_whole = rows["reason"].array.codes < 0
    if not is_whole.all():
        visits = visits[is_whole[visits["row"].to_numpy()]]
        troubles = troubles[is_whole[troubles["row"].to_numpy()]]
    listed = _listed_feet(visits, source_map)
    if len(listed):
        facts["feet"] = stack_frames([facts["feet"], listed])
    sources = tuple(
        Source(sheet.file, sheet.sha256, len(sheet.line), source_map.name, source_map.sha256)
        for sheet in stack.sheets
    )
    tried = book_tried([*corrected, *removed, *joined])
    return Submission(rows, visits, facts, troubles, sources, tried)


def _refuse_unmapped(reader: MappedSheet, clinics: frozenset[str]) -> None:
    """Raise at codes that the map does not know, naming the first file that has one."""
    try:
        reader.refuse_unmapped(clinics)
    except SourceMapError:
        for number in range(len(reader.sheet.sheets)):
            alone = reader.sheet.alone(number)
            MappedSheet(alone, reader.source_map).refuse_unmapped(clinics)
        raise


def _read_rows(reader: MappedSheet, key: bytes) -> pd.DataFrame:
    sheet = reader.sheet
    clinic = clinic_of_rows(reader)
    child = name_children(reader, clinic, key)
    is_nobody = (child.codes < 0) & (sheet.aside.codes < 0)
    held = {
        "file": sheet.each("file"),
        "sheet": sheet.each("sheet"),
        "line": pd.arrays.IntegerArray(sheet.line, np.zeros(reader.n, dtype=bool)),
        "child": child,
        "clinic": clinic,
        "reason": put_text(sheet.aside, is_nobody, "missing"),
    }
    return pd.DataFrame(held, copy=False)


def name_children(reader: MappedSheet, clinic: pd.Categorical, key: bytes) -> pd.Categorical:
    """Return the pseudonym of each row's child; missing where the row does not name one.

    Parameters
    ----------
    reader
        Rows beside their map.
    clinic
        Clinic of each row (``clinic_of_rows``).
    key
        Secret of the pseudonyms.
    """
    parts = [texts_of(reader, heading) for heading in reader.source_map.child.id]
    if reader.source_map.child.scope == "clinic":
        return key_texts([clinic, *parts], key, purpose="child of a clinic")
    return key_texts(parts, key, purpose="child")


def clinic_of_rows(reader: MappedSheet) -> pd.Categorical:
    """Return the clinic of each row; missing where no column says it."""
    for table in ("visits", "children"):
        texts = reader.texts(table, "clinic")
        if texts is not None:
            values = translate(texts, reader.source_map, f"{table}.clinic").values
            assert isinstance(values, pd.Categorical)
            return values
    return repeat_text(None, reader.n)


def _read_visits(
    reader: MappedSheet, rows: pd.DataFrame
) -> tuple[pd.DataFrame, list[pd.DataFrame]]:
    pieces = reshape_visits(reader.sheet.cells, reader.source_map)
    frame = pieces.frame
    row = frame["row"].to_numpy()
    columns: dict[str, object] = {name: frame[name].array for name in ("row", "piece")}
    columns |= {name: rows[name].array.take(row) for name in ("reason", "child")}
    troubles: list[pd.DataFrame] = []
    extras = [name for name in pieces.cells if name.startswith(EXTRA_PREFIX)]
    for name in (*(c.name for c in TABLES["visits"]), *extras):
        if name == "side":
            columns[name] = frame["side"].array
        elif name in pieces.cells:
            read = translate(pieces.cells[name], reader.source_map, f"visits.{name}")
            columns[name] = read.values
            troubles += find_troubles(pieces.cells[name], read, "visits", name, row)
        elif name == "clinic":
            columns[name] = rows["clinic"].array.take(row)
    named = [
        with_columns(trouble, piece=frame["piece"].array.take(trouble["piece"].to_numpy()))
        for trouble in troubles
    ]
    return pd.DataFrame(columns, copy=False), named


def _listed_feet(visits: pd.DataFrame, source_map: SourceMap) -> pd.DataFrame:
    """Return the feet with visits as affected, where no heading says which ones are."""
    says = {"side", "affected"} & {*source_map.columns.get("feet", {})}
    side = visits["side"].array.codes
    at = np.flatnonzero(side >= 0)
    if says or not source_map.listed_feet_are_affected:
        at = at[:0]
    at = at[first_rows([visits["child"].array.codes[at], side[at]])]
    held = {name: visits[name].array.take(at) for name in ("row", "child", "side")}
    affected = pd.arrays.BooleanArray(np.ones(len(at), dtype=bool), np.zeros(len(at), dtype=bool))
    return pd.DataFrame({**held, "affected": affected}, copy=False)
