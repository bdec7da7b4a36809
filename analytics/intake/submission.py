"""One export with its map, translated: visits as pieces, facts of children and feet, addresses."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd

from analytics.definitions.columns import EXTRA_PREFIX, TABLES
from analytics.errors import SourceMapError
from analytics.intake.facts import find_troubles, join_troubles, read_facts
from analytics.intake.headings import check_headings
from analytics.intake.identity import key_texts
from analytics.intake.map_types import SourceMap
from analytics.intake.mapped_sheet import MappedSheet, plain_texts
from analytics.intake.read import read_sheet
from analytics.intake.records import Source
from analytics.intake.reshape import reshape_visits
from analytics.intake.translate import declared_column, translate


@dataclass(frozen=True)
class Submission:
    """What one export says, before anything is merged or checked.

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
    source
        The export.
    """

    rows: pd.DataFrame
    visits: pd.DataFrame
    facts: dict[str, pd.DataFrame]
    troubles: pd.DataFrame
    source: Source


def read_submission(
    path: Path, source_map: SourceMap, *, key: bytes, clinics: frozenset[str]
) -> Submission:
    """Return what an export says.

    Parameters
    ----------
    path
        The export.
    source_map
        How it is written.
    key
        Secret of the pseudonyms.
    clinics
        Codes of the programme's clinics; empty when it has no list.

    Raises
    ------
    ExportFileError
        When the file cannot be read.
    SourceMapError
        When the map and the export disagree, or a text column looks like direct identifiers.
    """
    if source_map.doubtful:
        raise SourceMapError(
            f"the map '{source_map.name}' still has {len(source_map.doubtful)} doubtful choices",
            where="; ".join(source_map.doubtful),
            todo="settle each in the map, then take it out of 'doubtful'",
        )
    sheet = read_sheet(path, source_map.file)
    check_headings(source_map, sheet)
    reader = MappedSheet(sheet, source_map)
    reader.refuse_identifiers(clinics)
    reader.refuse_unmapped(clinics)
    rows = _read_rows(reader, key)
    visits, of_visits = _read_visits(reader, rows)
    facts, of_facts = read_facts(reader, rows, key)
    troubles = join_troubles(of_visits + of_facts)
    is_whole = rows["reason"].isna().to_numpy()[troubles["row"].to_numpy(dtype=np.int64)]
    facts["feet"] = pd.concat([facts["feet"], _listed_feet(visits, source_map)])
    source = Source(sheet.file, sheet.sha256, len(sheet.line), source_map.name, source_map.sha256)
    return Submission(rows, visits, facts, troubles[is_whole], source)


def _read_rows(reader: MappedSheet, key: bytes) -> pd.DataFrame:
    sheet, source_map = reader.sheet, reader.source_map
    clinic = _clinic_of_rows(reader)
    parts = [plain_texts(reader, heading) for heading in source_map.child.id]
    purpose = "child"
    if source_map.child.scope == "clinic":
        parts = [clinic, *parts]
        purpose = "child of a clinic"
    child = key_texts(parts, key, purpose=purpose)
    reason = np.full(reader.n, None, dtype=object)
    reason[child.isna()] = "missing"
    reason[sheet.is_ragged] = "ragged_row"
    reason[sheet.is_total] = "total_row"
    return pd.DataFrame(
        {
            "file": pd.array([sheet.file] * reader.n, dtype="string"),
            "sheet": pd.array([sheet.sheet] * reader.n, dtype="string"),
            "line": pd.array(sheet.line, dtype="Int64"),
            "child": child,
            "clinic": clinic,
            "reason": pd.array(reason, dtype="string"),
        }
    )


def _clinic_of_rows(reader: MappedSheet) -> pd.Series:
    for table in ("visits", "children"):
        texts = reader.texts(table, "clinic")
        if texts is not None:
            return pd.Series(translate(texts, reader.source_map, f"{table}.clinic").values)
    return pd.Series(pd.array([pd.NA] * reader.n, dtype="string"))


def _read_visits(
    reader: MappedSheet, rows: pd.DataFrame
) -> tuple[pd.DataFrame, list[pd.DataFrame]]:
    pieces = reshape_visits(reader.sheet.cells, reader.source_map)
    frame = pieces.frame
    row = frame["row"].to_numpy()
    columns: dict[str, object] = {name: frame[name] for name in ("row", "piece")}
    columns["reason"] = rows["reason"].take(row).array.copy()
    columns["child"] = rows["child"].take(row).array
    troubles = []
    extras = [name for name in pieces.cells if name.startswith(EXTRA_PREFIX)]
    for name in (*(c.name for c in TABLES["visits"]), *extras):
        if name == "side":
            columns[name] = frame["side"].array
        elif name in pieces.cells:
            read = translate(pieces.cells[name], reader.source_map, f"visits.{name}")
            columns[name] = read.values
            troubles.append(find_troubles(pieces.cells[name], read, "visits", name, row))
        elif name == "clinic":
            columns[name] = rows["clinic"].take(row).array
        elif name != "child":
            columns[name] = _nothing(name, len(frame))
    visits = pd.DataFrame(columns)
    for trouble in troubles:
        trouble["piece"] = visits["piece"].take(trouble["piece"].to_numpy()).array
    return visits, troubles


def _listed_feet(visits: pd.DataFrame, source_map: SourceMap) -> pd.DataFrame:
    """Return the feet with visits as affected, where no heading says which ones are."""
    says = {"side", "affected"} & {*source_map.columns.get("feet", {})}
    listed = visits["reason"].isna() & visits["side"].notna()
    if says or not source_map.listed_feet_are_affected:
        listed &= False
    feet = visits.loc[listed, ["row", "child", "side"]]
    return feet.assign(affected=pd.array([True] * len(feet), dtype="boolean"))


def _nothing(name: str, n: int) -> pd.api.extensions.ExtensionArray:
    column = declared_column("visits", name)
    kind = "Float64" if column.kind == "integer" else column.dtype
    return pd.array([pd.NA] * n, dtype=kind)
