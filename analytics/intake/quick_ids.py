"""The children of an export, from the columns that name them alone."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.csv as arrow_csv

from analytics.intake.corrections import find_joined
from analytics.intake.identity import key_texts
from analytics.intake.map_types import SourceMap
from analytics.intake.mapped_sheet import known_texts
from analytics.intake.submission import Door, read_submissions
from analytics.intake.texts import categorise, map_texts, stack_texts, used_codes

_TEXT_FILES = (".csv", ".tsv", ".txt")


def read_ids(path: Path, source_map: SourceMap, door: Door) -> np.ndarray:
    """Return the pseudonyms that occur in an export, each once.

    Of a text file whose lines are plainly its rows the other columns are not looked at, and a
    name on a line of totals counts too; any other file is read whole.

    Parameters
    ----------
    path, source_map
        An export and its map.
    door
        Key, clinics and corrections.
    """
    is_plain = path.suffix.lower() in _TEXT_FILES and source_map.child.scope == "network"
    columns = _read_columns(path, source_map) if is_plain else None
    if columns is None:
        submissions = read_submissions([path], source_map, door)
        children = stack_texts([part.rows["child"].array for part in submissions])
    else:
        children = key_texts(columns, door.key, purpose="child")
        children = map_texts(children, find_joined(door.corrections))
    return used_codes(children)[1]


def _read_columns(path: Path, source_map: SourceMap) -> list[pd.Categorical] | None:
    """Return the distinct texts of the columns that name a child; nothing when in any doubt."""
    how = source_map.file
    if how.encoding.lower().replace("_", "-") not in ("utf-8", "utf8") or how.header_line != 1:
        return None
    if how.last_header_line != 1:
        return None
    content = path.read_bytes()
    header, _, rest = content.partition(b"\n")
    if b'"' in content or b"\r" in rest.replace(b"\r\n", b"\n") or not rest.strip():
        return None
    try:
        headings = header.decode("utf-8-sig").rstrip("\r").split(how.delimiter)
    except UnicodeDecodeError:
        return None
    wanted = [*source_map.child.id]
    if len(set(headings)) != len(headings) or not set(wanted) <= set(headings):
        return None
    table = _parse(rest, headings, wanted, how.delimiter)
    if table is None or table.num_rows != rest.count(b"\n") + (not rest.endswith(b"\n")):
        return None
    if len(wanted) > 1:
        table = table.group_by(wanted).aggregate([])
        return [categorise(known_texts(table[name].to_pylist(), source_map)) for name in wanted]
    return [categorise(known_texts(table[wanted[0]].unique().to_pylist(), source_map))]


def _parse(rest: bytes, headings: list[str], wanted: list[str], delimiter: str) -> pa.Table | None:
    try:
        return arrow_csv.read_csv(
            pa.BufferReader(rest),
            read_options=arrow_csv.ReadOptions(column_names=headings),
            parse_options=arrow_csv.ParseOptions(delimiter=delimiter),
            convert_options=arrow_csv.ConvertOptions(
                column_types=dict.fromkeys(wanted, pa.string()),
                include_columns=wanted,
                null_values=[],
            ),
        )
    except pa.ArrowInvalid:
        return None
