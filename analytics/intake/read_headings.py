"""Headings as they stand in a file: of one line or several, doubled, or repeated among the rows."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterable, Sequence

import numpy as np

from analytics.errors import ExportFileError
from analytics.intake.map_types import FileSettings
from analytics.intake.read_types import RawTable, all_columns, category_mask, is_blank
from analytics.intake.suggest import listed


def clean_heading(text: object) -> str:
    """Return a heading with its white space made plain."""
    return re.sub(r"\s+", " ", str(text)).strip()


def name_headings(raw: RawTable, settings: FileSettings, where: str) -> list[str]:
    """Return one heading for each column, each different; empty over an empty column.

    Parameters
    ----------
    raw
        The table as it stands in the file.
    settings
        Lines of the headings, and whether doubled ones are numbered.
    where
        File, sheet and line, for messages.

    Raises
    ------
    ExportFileError
        When there is no heading, one is doubled and may not be numbered, or one is missing.
    """
    headings = _join_lines(raw)
    if not any(headings):
        raise ExportFileError(
            "the line of the headings is empty",
            where=where,
            todo="set header_line in the source map to the line of the headings",
        )
    if settings.number_doubled:
        headings = _number(headings)
    doubled = [name for name, count in Counter(headings).items() if name and count > 1]
    if doubled:
        raise ExportFileError(
            f"the same heading stands over several columns: {listed(doubled)}",
            where=where,
            allowed="each heading once; or number_doubled = true under [file] in the source map, "
            f"which calls the next one '{doubled[0]} (2)'",
            todo="choose one of the two, or set header_line to the line of the headings",
        )
    for number, name in enumerate(headings):
        if not name and not is_blank(raw.columns[number]).all():
            raise ExportFileError(
                f"column {number + 1} has values but no heading",
                where=where,
                todo="give it a heading, or set header_line in the source map",
            )
    return headings


def _join_lines(raw: RawTable) -> list[str]:
    """Return what stands above each column, from the upper line down."""
    lowest = [clean_heading(text) for text in raw.headings]
    lines = [*(_fill_right(row, len(lowest)) for row in raw.upper), lowest]
    return [" ".join(dict.fromkeys(filter(None, parts))) for parts in zip(*lines, strict=True)]


def _fill_right(row: Sequence[object], width: int) -> list[str]:
    """Return the texts of an upper line: a blank cell takes the text at its left."""
    filled, text = [], ""
    for cell in [*row, *[""] * width][:width]:
        text = clean_heading(cell) or text
        filled.append(text)
    return filled


def _number(headings: Iterable[str]) -> list[str]:
    seen: Counter[str] = Counter()
    numbered = []
    for name in headings:
        seen[name] += 1
        numbered.append(f"{name} ({seen[name]})" if name and seen[name] > 1 else name)
    return numbered


def find_repeated(raw: RawTable, used: Sequence[int]) -> np.ndarray:
    """Return the rows that hold one of the heading lines again, as a new page begins with them.

    Parameters
    ----------
    raw
        The table as it stands in the file.
    used
        Columns that have a heading.
    """
    found = np.zeros(len(raw.line), dtype=bool)
    for line in (*raw.upper, raw.headings):
        texts = {i: clean_heading(line[i]) if i < len(line) else "" for i in used}
        if any(texts.values()):
            found |= all_columns(_equals(raw, i, texts[i]) for i in raw.fewest_texts_first(used))
    return found


def _equals(raw: RawTable, column: int, text: str) -> np.ndarray:
    return category_mask(raw.columns[column], lambda value: clean_heading(value) == text)
