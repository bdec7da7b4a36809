"""Corrections applied: to cells and rows of an export, and to what the rules found."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field, replace
from datetime import date

import numpy as np
import pandas as pd

from analytics.definitions.checks import CHECKS
from analytics.intake.corrections import CONFIRM, CORRECT, REMOVE, SAME_CHILD, find_joined
from analytics.intake.frames import Columns, with_columns
from analytics.intake.identity import veil
from analytics.intake.map_types import SourceMap
from analytics.intake.mapped_sheet import MappedSheet
from analytics.intake.stacked import Stacked
from analytics.intake.texts import categorise, map_texts, plain_frame, put_text, repeat_text
from analytics.intake.translate import declared_column, translate

#: What was tried: number of the correction, row of the export, what became of it, and for a
#: changed value where it belongs and what stood there.
TRIED_COLUMNS = ("number", "row", "outcome", "table", "column", "before", "after")
Tried = tuple[object, ...]


@dataclass(frozen=True)
class _Cells:
    """Cells of an export while they are corrected; ``texts`` holds the changed columns."""

    sheet: Stacked
    source_map: SourceMap
    places: dict[str, str]
    texts: dict[str, np.ndarray] = field(default_factory=dict)

    def correct(self, row: int, wanted: pd.Series) -> str:
        """Put the right value in its place where all is as the correction says."""
        heading = wanted["column"]
        if heading in (*self.source_map.child.id, *self.source_map.child.link):
            return "identifier"
        if heading not in self.places:
            return "no_column"
        held = self.texts.get(heading)
        if held is None:
            held = self.sheet.cells[heading].to_numpy(dtype=object, copy=True)
        if cell_text(held[row]) != " ".join(wanted["before"].split()):
            return "before_differs"
        held[row] = wanted["after"]
        self.texts[heading] = held
        return "applied"

    def show(self, heading: str, text: str) -> str:
        """Return a text of the export as the ledger may keep it: nothing that could name a person.

        Dates, numbers and agreed codes stay; anything else only tells its length.
        """
        place = self.places.get(heading, "")
        table, _, name = place.partition(".")
        if not place or declared_column(table, name).kind == "text":
            return veil(text) if text else ""
        is_bad = translate(categorise([text]), self.source_map, place).is_bad[0]
        return veil(text) if is_bad else text


def correct_cells(
    sheet: Stacked, source_map: SourceMap, corrections: pd.DataFrame
) -> tuple[Stacked, list[Tried]]:
    """Return the rows with the right values in their places, and what became of the corrections.

    Parameters
    ----------
    sheet
        Rows with the headings that the map reads.
    source_map
        Their map.
    corrections
        All corrections of the programme, in their order.

    Returns
    -------
    sheet
        The same rows in the same order.
    tried
        One for each change of a cell whose line is in the export.
    """
    if corrections.empty:
        return sheet, []
    headings = MappedSheet(sheet, source_map).headings()
    places = {heading: name for name, known in headings.items() for heading in known}
    cells = _Cells(sheet, source_map, places)
    tried: list[Tried] = []
    for number, row in _find_rows(sheet, corrections, CORRECT):
        wanted = corrections.iloc[number]
        heading = wanted["column"]
        outcome = cells.correct(row, wanted)
        table, _, column = places.get(heading, ".").partition(".")
        before, after = (cells.show(heading, wanted[name]) for name in ("before", "after"))
        tried.append((number, row, outcome, table, column, before, after))
    fixed = {name: categorise(held) for name, held in cells.texts.items()}
    return replace(sheet, cells=with_columns(sheet.cells, **fixed)), tried


def remove_rows(
    sheet: Stacked, rows: pd.DataFrame, corrections: pd.DataFrame
) -> tuple[pd.DataFrame, list[Tried]]:
    """Return the input rows with those set aside that a clinic takes back, and what was tried.

    Parameters
    ----------
    sheet
        The rows of the export.
    rows
        ``child, reason`` and more, one for each of them.
    corrections
        All corrections of the programme.
    """
    tried: list[Tried] = []
    gone = np.zeros(len(rows), dtype=bool)
    for number, row in _find_rows(sheet, corrections, REMOVE):
        child = rows["child"].iloc[row]
        same = corrections["child"].iloc[number] == ("" if pd.isna(child) else child)
        if same:
            gone[row] = True
        tried.append((number, row, "applied" if same else "child_differs", "", "", "", ""))
    return with_columns(rows, reason=put_text(rows["reason"].array, gone, "removed")), tried


def join_children(
    rows: pd.DataFrame, corrections: pd.DataFrame
) -> tuple[pd.DataFrame, list[Tried]]:
    """Return the input rows with each child under one pseudonym, and what was tried.

    Parameters
    ----------
    rows
        ``child`` and more, one for each input row.
    corrections
        All corrections of the programme.
    """
    tried: list[Tried] = []
    for number in np.flatnonzero(corrections["action"] == SAME_CHILD):
        at = np.flatnonzero(rows["child"] == corrections["child"].iloc[number])
        if len(at):
            tried.append((int(number), int(at[0]), "applied", "", "", "", ""))
    if not tried:
        return rows, tried
    return with_columns(rows, child=map_texts(rows["child"].array, find_joined(corrections))), tried


def confirm_faults(
    flags: pd.DataFrame, corrections: pd.DataFrame
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Return the faults that nobody has confirmed as right, and what became of confirmations.

    A fault that a hard rule found cannot be confirmed.

    Parameters
    ----------
    flags
        The ledger's flags.
    corrections
        All corrections of the programme.

    Returns
    -------
    flags
        Without those that were confirmed.
    tried
        ``TRIED_COLUMNS`` but the row, a line for each confirmation of which something was found.
    """
    silenced = np.zeros(len(flags), dtype=bool)
    tried: list[Tried] = []
    confirmations = np.flatnonzero(corrections["action"] == CONFIRM)
    if not len(confirmations):
        return flags, book_tried(tried).drop(columns="row")
    at = plain_frame(flags)
    at = at.assign(line=flags["line"].astype("string"), on=flags["on"].dt.strftime("%Y-%m-%d"))
    texts = at[["file", "sheet", "line", "rule", "side", "on", "child"]].fillna("")
    for number in confirmations:
        wanted = corrections.iloc[number]
        if CHECKS[wanted["rule"]].severity == "hard":
            continue
        found = np.ones(len(flags), dtype=bool)
        for name in ("file", "sheet", "line", "rule", "side", "on"):
            is_open = name in ("side", "on") and not wanted[name]
            found &= is_open | (texts[name] == wanted[name]).to_numpy(dtype=bool)
        same = found & (texts["child"] == wanted["child"]).to_numpy(dtype=bool)
        silenced |= same
        if found.any():
            outcome = "applied" if same.any() else "child_differs"
            tried.append((int(number), -1, outcome, "", "", "", ""))
    return flags[~silenced].reset_index(drop=True), book_tried(tried).drop(columns="row")


def build_book(corrections: pd.DataFrame, tried: pd.DataFrame) -> pd.DataFrame:
    """Return every correction with what became of it, for the ledger.

    Parameters
    ----------
    corrections
        All corrections of the programme.
    tried
        ``TRIED_COLUMNS`` of all exports together.

    Returns
    -------
    DataFrame
        Columns of the ledger's corrections.
    """
    # Of what was tried in several parts, that which was applied tells.
    best = (
        plain_frame(tried)
        .assign(is_left=(tried["outcome"] != "applied").to_numpy())
        .sort_values("is_left", kind="stable")
    )
    by_number = best.drop_duplicates("number").set_index("number")
    numbers = pd.RangeIndex(len(corrections))
    is_hard = corrections["rule"].isin(
        [c for c, check in CHECKS.items() if check.severity == "hard"]
    )
    nothing = np.where(
        corrections["action"] != CONFIRM, "no_line", np.where(is_hard, "hard_rule", "no_fault")
    )
    outcome = by_number["outcome"].reindex(numbers).fillna(pd.Series(nothing, dtype="string"))
    is_child = corrections["action"].eq(SAME_CHILD).to_numpy(dtype=bool)
    after = by_number["after"].reindex(numbers).fillna("").to_numpy(dtype=object)
    after = np.where(is_child, corrections["after"], after)
    book = corrections.drop(columns=["before", "after"]).reset_index(drop=True)
    return book.assign(
        before=by_number["before"].reindex(numbers).fillna("").array,
        after=pd.array(after, dtype="string"),
        outcome=outcome.astype("string").array,
    )


def amend_corrected(tried: pd.DataFrame) -> Columns:
    """Return an amendment for each corrected value; ``tried`` has the ``seq`` of its row."""
    at = np.flatnonzero((tried["outcome"] == "applied") & (tried["table"] != ""))
    columns = ("seq", "table", "column", "before", "after")
    done = {name: tried[name].array.take(at) for name in columns}
    return done | {"rule": repeat_text("correction", len(at))}


def cell_text(value: object) -> str:
    """Return what a person reads in a cell: a day as YYYY-MM-DD, white space made plain."""
    if isinstance(value, date):
        return value.isoformat()
    if isinstance(value, float):
        return "" if np.isnan(value) else f"{value:.15g}"
    return " ".join(str(value).split())


def _find_rows(sheet: Stacked, corrections: pd.DataFrame, action: str) -> Iterator[tuple[int, int]]:
    """Yield the number of each correction of an action, and the row of the sheet it speaks of."""
    numbers = {(part.file, part.sheet): place for place, part in enumerate(sheet.sheets)}
    for number in np.flatnonzero(corrections["action"] == action):
        told = corrections.iloc[number]
        place = numbers.get((told["file"], told["sheet"]))
        if place is None:
            continue
        lines, line = sheet.sheets[place].line, int(told["line"])
        at = int(np.searchsorted(lines, line))
        if at < len(lines) and lines[at] == line:
            yield int(number), at + int(np.searchsorted(sheet.number, place))


def book_tried(tried: Sequence[Tried]) -> pd.DataFrame:
    """Return what was tried as a frame of ``TRIED_COLUMNS``, texts coded."""
    columns = [*zip(*tried, strict=True)] or [()] * len(TRIED_COLUMNS)
    return pd.DataFrame(
        {name: np.array(column, dtype=np.int64) if name in ("number", "row") else categorise(column)
         for name, column in zip(TRIED_COLUMNS, columns, strict=True)}
    )  # fmt: skip
