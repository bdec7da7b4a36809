"""What the rows of an export say of children, feet and departures."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from functools import partial

import numpy as np
import pandas as pd

from analytics.definitions.codes import SIDES
from analytics.intake.ages import read_ages
from analytics.intake.frames import stack_frames, with_columns
from analytics.intake.identity import key_texts, veil
from analytics.intake.mapped_sheet import MappedSheet, texts_of
from analytics.intake.merge import first_rows
from analytics.intake.reshape import BOTH, same_side, sides_of_row
from analytics.intake.texts import fold_codes, repeat_text
from analytics.intake.translate import NO_DATE, Translated, missing_categories, translate

#: Columns of a trouble: a value that could not be used, with the row that holds it.
TROUBLE_COLUMNS = ("row", "piece", "table", "column", "before", "rule")

_NONE = np.array([], dtype=np.int64)


def read_facts(
    reader: MappedSheet, rows: pd.DataFrame, key: bytes
) -> tuple[dict[str, pd.DataFrame], list[pd.DataFrame]]:
    """Return what the rows say, and the values that could not be read.

    A row that says of a child or foot what an earlier one said in the same words is left out.

    Parameters
    ----------
    reader
        The sheet and its map.
    rows
        Input rows with ``child, clinic, reason``.
    key
        Secret of the pseudonyms.
    """
    usable = np.flatnonzero(rows["reason"].array.codes < 0)
    child = rows["child"].array.codes
    facts: dict[str, pd.DataFrame] = {}
    troubles: list[pd.DataFrame] = []
    for table in ("children", "departures"):
        columns: _Columns = {"row": lambda at: at, "child": rows["child"].array.take}
        told = [child]
        for name in _names(reader, table):
            texts = reader.texts(table, name)
            assert texts is not None
            told.append(texts.codes)
            read = translate(texts, reader.source_map, f"{table}.{name}")
            if name == "age":
                read = _read_age(reader, texts)
                columns["precision_from_age"] = partial(_precisions, read)
                told.append(_told_on(reader).codes)
            elif name == "birth_on":
                columns.setdefault("birth_precision", partial(_precisions, read))
            columns["birth_from_age" if name == "age" else name] = read.take
            troubles += _row_troubles(texts, read, table, name)
        if table == "children":
            columns["clinic"] = rows["clinic"].array.take
            columns |= _read_link(reader, key, told)
        frame = _take_columns(columns, usable[first_rows([codes[usable] for codes in told])])
        facts[table] = frame[_speaks(reader, table, frame)]
    facts["feet"], of_feet = _read_feet(reader, rows, child, usable)
    return facts, troubles + of_feet


#: Column to what gives its values at some rows.
_Columns = dict[str, Callable[[np.ndarray], object]]


def _read_link(reader: MappedSheet, key: bytes, told: list[np.ndarray]) -> _Columns:
    """Return the keyed hash of the child's name, and note what rows tell apart by it."""
    links = reader.source_map.child.link
    if not links:
        return {}
    told.extend(reader.sheet.cells[heading].array.codes for heading in links)
    parts = [texts_of(reader, heading) for heading in links]
    return {"link": key_texts(parts, key, purpose="link").take}


def _take_columns(columns: _Columns, at: np.ndarray) -> pd.DataFrame:
    return pd.DataFrame({name: take(at) for name, take in columns.items()}, copy=False)


def _speaks(reader: MappedSheet, table: str, facts: pd.DataFrame) -> np.ndarray:
    """Return the rows that say something of their own, where constants stand for every row."""
    own = [name for name in reader.source_map.columns.get(table, {}) if name in facts]
    if table == "children" or not own:
        return np.ones(len(facts), dtype=bool)
    return facts[own].notna().any(axis=1).to_numpy()


def _precisions(read: Translated, at: np.ndarray) -> pd.Categorical:
    assert read.precision is not None
    known = read.precision.astype(object)
    known[np.asarray(read.distinct.isna())] = None
    return fold_codes(read.codes[at], known)


def _read_age(reader: MappedSheet, texts: pd.Categorical) -> Translated:
    """Return the birth dates that the told ages make, counted back from the day of telling."""
    settings = reader.source_map.ages
    told = translate(_told_on(reader), reader.source_map, settings.at)
    width = len(told.distinct)
    codes, pairs = pd.factorize(texts.codes.astype(np.int64) * width + told.codes % width)
    age, day = pairs // width, told.distinct.take(pairs % width)
    ages = read_ages(texts.categories, unit=settings.unit)
    days = np.append(ages.days, np.nan)[age]
    missing = missing_categories(texts, reader.source_map, "children.age")[age]
    length = pd.to_timedelta(np.where(missing, np.nan, np.floor(days)), unit="D")
    births = (pd.Series(day) - length).astype("datetime64[s]")
    return Translated(
        distinct=pd.array(np.append(births.to_numpy(), NO_DATE), dtype="datetime64[s]"),
        codes=codes,
        bad=np.append(np.isnan(days) & ~missing, False),
        precision=np.append(ages.precision, "")[np.append(age, -1)],
    )


def _told_on(reader: MappedSheet) -> pd.Categorical:
    table, _, name = reader.source_map.ages.at.partition(".")
    texts = reader.texts(table, name)
    assert texts is not None
    return texts


def _names(reader: MappedSheet, table: str) -> list[str]:
    source_map = reader.source_map
    given = [*source_map.columns.get(table, {}), *source_map.constants.get(table, {})]
    return [name for name in dict.fromkeys(given) if name not in ("clinic", "side")]


def _row_troubles(
    texts: pd.Categorical, read: Translated, table: str, column: str
) -> list[pd.DataFrame]:
    found = find_troubles(texts, read, table, column, np.arange(len(texts)))
    return [with_columns(part, piece=repeat_text(None, len(part))) for part in found]


def _read_feet(
    reader: MappedSheet, rows: pd.DataFrame, child: np.ndarray, usable: np.ndarray
) -> tuple[pd.DataFrame, list[pd.DataFrame]]:
    affected = _sides(reader, "feet")
    # Which column it is must not hang on what the rows hold: an export may be read in spans.
    is_told = "side" in reader.source_map.columns.get("visits", {})
    spoken_of = _sides(reader, "visits") if is_told else affected
    parts, troubles = [], []
    for side in SIDES:
        is_spoken_of = spoken_of.says(side, BOTH) | ~spoken_of.is_known
        is_affected = pd.arrays.BooleanArray(affected.says(side, BOTH), ~affected.is_known)
        columns: _Columns = {
            "row": lambda at: at,
            "child": rows["child"].array.take,
            "side": same_side(side, reader.n).take,
            "affected": is_affected.take,
        }
        told = [child, affected.codes, is_spoken_of.astype(np.int8)]
        for name in _names(reader, "feet"):
            texts = reader.texts("feet", name, side)
            assert texts is not None
            told.append(texts.codes)
            read = translate(texts, reader.source_map, f"feet.{name}")
            columns[name] = replace(read, codes=np.where(is_spoken_of, read.codes, -1)).take
            troubles += _row_troubles(texts, read, "feet", name)
        kept = usable[first_rows([codes[usable] for codes in told])]
        parts.append(_take_columns(columns, kept))
    return stack_frames(parts), troubles


def _sides(reader: MappedSheet, table: str) -> Translated:
    heading = reader.source_map.columns.get(table, {}).get("side", "")
    if heading:
        return sides_of_row(reader.sheet.cells, reader.source_map, heading, table=table)
    return same_side("", reader.n)


def find_troubles(
    cells: pd.Categorical, read: Translated, table: str, column: str, row: np.ndarray
) -> list[pd.DataFrame]:
    """Return the values of a column that could not be read, in a frame where there are any.

    Parameters
    ----------
    cells
        Texts of the export.
    read
        What they were translated to.
    table, column
        Where they belong.
    row
        Row of each text in the sheet.

    Returns
    -------
    list
        ``TROUBLE_COLUMNS``; ``piece`` is the position of the text in ``cells``.
    """
    at = np.flatnonzero(read.is_bad) if read.bad.any() else _NONE
    if not len(at):
        return []
    own, code = np.unique(cells.codes[at], return_inverse=True)
    before = [veil(cells.categories[place]) for place in own]
    found = {
        "row": row[at],
        "piece": at,
        "table": repeat_text(table, len(at)),
        "column": repeat_text(column, len(at)),
        "before": fold_codes(code, np.array(before, dtype=object)),
        "rule": repeat_text("unreadable", len(at)),
    }
    return [pd.DataFrame(found, copy=False)]


def join_troubles(troubles: list[pd.DataFrame]) -> pd.DataFrame:
    """Return troubles, with the name of each one's piece, as one frame."""
    if not troubles:
        held = dict.fromkeys(TROUBLE_COLUMNS[1:], repeat_text(None, 0))
        return pd.DataFrame({"row": _NONE, **held})
    return stack_frames(troubles)[list(TROUBLE_COLUMNS)]
