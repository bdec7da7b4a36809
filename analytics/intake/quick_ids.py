"""The children of an export, from the columns that name them alone."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd

from analytics.intake.corrections import find_joined
from analytics.intake.identity import key_texts
from analytics.intake.map_types import SourceMap
from analytics.intake.mapped_sheet import known_texts
from analytics.intake.merge import first_rows
from analytics.intake.plain_text import CODES, open_plain
from analytics.intake.read import read_bytes
from analytics.intake.read_text import as_utf8
from analytics.intake.submission import Door, read_submissions
from analytics.intake.texts import categorise, fold_codes, map_texts, stack_texts, used_codes

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
    if how.last_header_line != 1:
        return None
    plain = open_plain(as_utf8(read_bytes(path), how.encoding, path.name), how)
    wanted = source_map.child.id
    if plain is None or len({*plain.headings}) != len(plain.headings):
        return None
    if not {*wanted} <= {*plain.headings}:
        return None
    table = plain.parse({plain.headings.index(name): CODES for name in wanted})
    if table is None:
        return None
    columns = [column.unify_dictionaries().combine_chunks() for column in table.columns]
    texts = [known_texts(column.dictionary.to_pylist(), source_map) for column in columns]
    if len(texts) == 1:
        return [categorise(texts[0])]
    codes = [column.indices.to_numpy() for column in columns]
    at = first_rows(codes)
    return [fold_codes(code[at], text) for code, text in zip(codes, texts, strict=True)]
