"""What is asked of an export as a whole before any row of it is let in, where it is cut.

Whether a column holds names, and which codes a map does not know, is told from all rows. Each span
says what it holds; what they say together is judged once, as if the file were read whole.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd

from analytics.intake.correct import correct_cells
from analytics.intake.corrections import find_joined
from analytics.intake.cut import Span
from analytics.intake.identity import Looks, describe_texts, join_looks, refuse_looks
from analytics.intake.map_types import SourceMap
from analytics.intake.mapped_sheet import MappedSheet, Unknown, refuse_unknown
from analytics.intake.read import refuse_no_row
from analytics.intake.stacked import stack_sheets
from analytics.intake.submission import (
    Door,
    clinic_of_rows,
    name_children,
    open_span,
    refuse_doubtful,
)
from analytics.intake.texts import map_texts, used_codes


@dataclass(frozen=True)
class Said:
    """What some rows of an export say to the questions that are asked of it as a whole.

    Parameters
    ----------
    place, where
        The export, and the export with its map, in words.
    n_rows
        How many rows there are.
    kept
        Headings whose texts are kept as they are, to whether the heading tells too.
    looks, looks_corrected
        Heading to what its texts look like, as they stand and after corrections; the latter are
        nothing where there was none.
    unknown
        Codes that the map does not know; ``row`` is their line.
    """

    place: str
    where: str
    n_rows: int
    kept: dict[str, bool]
    looks: dict[str, Looks]
    looks_corrected: dict[str, Looks] | None
    unknown: Unknown


def ask_span(path: Path, source_map: SourceMap, door: Door, span: Span) -> tuple[np.ndarray, Said]:
    """Return the pseudonyms in some rows of an export, each once, and what the rows say.

    Raises
    ------
    ExportFileError, SourceMapError
        When the rows cannot be read, or the map and the headings disagree.
    """
    refuse_doubtful(source_map)
    sheet = open_span(path, source_map, span)
    stack = stack_sheets([sheet])
    kept = MappedSheet(stack, source_map).kept_texts(door.clinics)
    looks = _describe(stack.cells, kept)
    stack, corrected = correct_cells(stack, source_map, door.corrections)
    reader = MappedSheet(stack, source_map)
    unknown = reader.find_unknown(door.clinics)
    said = Said(
        place=sheet.where(),
        where=reader.where,
        n_rows=reader.n,
        kept=kept,
        looks=looks,
        looks_corrected=_describe(stack.cells, kept) if len(corrected) else None,
        unknown={at: told.assign(row=sheet.line[told["row"]]) for at, told in unknown.items()},
    )
    child = name_children(reader, clinic_of_rows(reader), door.key)
    return used_codes(map_texts(child, find_joined(door.corrections)))[1], said


def _describe(cells: pd.DataFrame, kept: dict[str, bool]) -> dict[str, Looks]:
    return {heading: describe_texts(cells[heading]) for heading in kept}


def refuse_whole(said: Sequence[Said], source_map: SourceMap) -> None:
    """Raise what reading the export in one go would raise.

    Parameters
    ----------
    said
        What its spans say, in their order.
    source_map
        Its map.

    Raises
    ------
    ExportFileError
        When it has no row.
    SourceMapError
        When a column looks like identifiers, or has codes that the map does not know.
    """
    refuse_no_row(sum(part.n_rows for part in said), said[0].place)
    rounds = [[part.looks for part in said]]
    if any(part.looks_corrected is not None for part in said):
        rounds.append([part.looks_corrected or part.looks for part in said])
    for looks in rounds:
        for heading, heading_tells in said[0].kept.items():
            joined = join_looks([part[heading] for part in looks])
            refuse_looks(heading, joined, heading_tells, where=said[0].where)
    unknown = {at: _join_unknown([part.unknown[at] for part in said]) for at in said[0].unknown}
    refuse_unknown(unknown, source_map, lambda line: f"{said[0].place}, line {line}")


def _join_unknown(parts: Sequence[pd.DataFrame]) -> pd.DataFrame:
    filled = [part for part in parts if len(part)]
    if not filled:
        return parts[0]
    together = pd.concat(filled, ignore_index=True)
    told = together.groupby(["text", "is_code"], as_index=False, sort=False)
    return told.agg({"n": "sum", "row": "min"})
