"""Rows to pieces: one piece for each visit of a foot, by slices of columns and one concat."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from analytics.definitions.codes import SIDES
from analytics.intake.headings import fill_heading
from analytics.intake.map_types import Group, SourceMap
from analytics.intake.texts import categorise, fold_codes, repeat_text, stack_texts
from analytics.intake.translate import BOTH, Translated, missing_categories, translate


@dataclass(frozen=True)
class Pieces:
    """Visits of feet, taken out of the rows and not yet translated.

    Parameters
    ----------
    frame
        ``row`` (position in the sheet), ``piece`` (its name within the row), ``side`` (missing
        where the row does not say which foot).
    cells
        Canonical column of visits to texts, one for each row of ``frame``.
    """

    frame: pd.DataFrame
    cells: dict[str, pd.Categorical]


@dataclass(frozen=True)
class _Slice:
    """The rows of one group, number and foot that give a piece."""

    group: Group
    n: int
    side: str
    rows: np.ndarray

    @property
    def piece(self) -> str:
        number = str(self.n) if self.group.last else ""
        return " ".join(part for part in (self.group.name, number, self.side) if part)


def reshape_visits(cells: pd.DataFrame, source_map: SourceMap) -> Pieces:
    """Return the visits of feet that the rows of an export hold.

    Parameters
    ----------
    cells
        Heading to categorical texts.
    source_map
        Groups and sides.
    """
    slices = [
        part
        for group in source_map.groups
        for n in group.numbers
        for part in _slice_group(cells, source_map, group, n)
    ]
    names = dict.fromkeys(
        name
        for group in source_map.groups
        for name in (*group.constants, *group.columns)
        if name != "side"
    )
    rows = np.concatenate([part.rows for part in slices] or [np.array([], dtype=np.int64)])
    order = np.argsort(rows, kind="stable")
    rows = rows[order]
    number = np.repeat(np.arange(len(slices)), [len(part.rows) for part in slices])[order]
    labels = np.array([part.piece for part in slices], dtype=object)
    sides = np.array([part.side or None for part in slices], dtype=object)
    told = {"piece": fold_codes(number, labels), "side": fold_codes(number, sides)}
    frame = pd.DataFrame({"row": rows, **told}, copy=False)
    every = len(rows) == len(cells) and np.array_equal(rows, np.arange(len(rows)))
    columns = {}
    for name in names:
        headings = {_heading_of(source_map, part, name) for part in slices}
        (heading,) = headings if len(headings) == 1 else ("",)
        if heading in cells:  # the same for all pieces
            texts = cells[heading].array
            columns[name] = texts if every else texts.take(rows)
        else:
            columns[name] = _gather(cells, source_map, slices, name).take(order)
    return Pieces(frame, columns)


def sides_of_row(
    cells: pd.DataFrame, source_map: SourceMap, heading: str, *, table: str
) -> Translated:
    """Return left, right or both for each row; missing where the text does not say."""
    return translate(cells[heading].array, source_map, f"{table}.side")


def same_side(side: str, n: int) -> Translated:
    """Return one side for each row; nothing where it is an empty text."""
    told = pd.array([side or pd.NA, pd.NA], dtype="string")
    return Translated(told, np.zeros(n, dtype=np.int8), np.zeros(2, dtype=bool))


def _slice_group(cells: pd.DataFrame, source_map: SourceMap, group: Group, n: int) -> list[_Slice]:
    named = _named_side(cells, source_map, group, n)
    is_long = source_map.shape == "long"
    every = np.ones(len(cells), dtype=bool)
    shared = every if is_long else _filled(cells, source_map, group, n, side="")
    slices = []
    claimed = np.zeros(len(cells), dtype=bool)
    for side in SIDES:
        own = _filled(cells, source_map, group, n, side=side)
        taken = own | (shared & named.says(side, BOTH))
        claimed |= taken
        slices.append(_Slice(group, n, side, np.flatnonzero(taken)))
    slices.append(_Slice(group, n, "", np.flatnonzero(shared & ~claimed)))
    return [part for part in slices if len(part.rows)]


def _named_side(cells: pd.DataFrame, source_map: SourceMap, group: Group, n: int) -> Translated:
    heading = group.columns.get("side", "")
    of_child = source_map.columns.get("feet", {}).get("side", "")
    if heading:
        filled = fill_heading(heading, source_map, n=n)
        return sides_of_row(cells, source_map, filled, table="visits")
    if "side" in group.constants:
        return same_side(group.constants["side"], len(cells))
    if of_child:
        return sides_of_row(cells, source_map, of_child, table="feet")
    return same_side("", len(cells))


def _filled(
    cells: pd.DataFrame, source_map: SourceMap, group: Group, n: int, *, side: str
) -> np.ndarray:
    """Return the rows where a cell of the group says something, of one foot or of both."""
    filled = np.zeros(len(cells), dtype=bool)
    for name, heading in group.columns.items():
        if name != "side" and ("{side}" in heading) == bool(side):
            column = cells[fill_heading(heading, source_map, n=n, side=side)].array
            filled |= ~missing_categories(column, source_map, f"visits.{name}")[column.codes]
    return filled


def _gather(
    cells: pd.DataFrame, source_map: SourceMap, slices: list[_Slice], name: str
) -> pd.Categorical:
    parts = [_take(cells, source_map, part, name) for part in slices]
    if not parts:
        return categorise([])
    return parts[0] if len(parts) == 1 else stack_texts(parts)


def _heading_of(source_map: SourceMap, part: _Slice, name: str) -> str:
    """Return the heading of a column for some pieces; empty where there is none."""
    heading = part.group.columns.get(name, "")
    return fill_heading(heading, source_map, n=part.n, side=part.side) if heading else ""


def _take(cells: pd.DataFrame, source_map: SourceMap, part: _Slice, name: str) -> pd.Categorical:
    heading = _heading_of(source_map, part, name)
    if heading in cells:
        return cells[heading].array.take(part.rows)
    constant = part.group.constants.get(name, "").replace("{n}", str(part.n))
    return repeat_text(constant, len(part.rows))
