"""What the rows of an export say of children, feet and departures."""

from __future__ import annotations

import numpy as np
import pandas as pd

from analytics.definitions.codes import SIDES
from analytics.intake.ages import read_ages
from analytics.intake.identity import key_texts, veil
from analytics.intake.mapped_sheet import MappedSheet, plain_texts
from analytics.intake.reshape import BOTH, sides_of_row
from analytics.intake.translate import Translated, is_missing_text, translate

#: Columns of a trouble: a value that could not be used, with the row that holds it.
TROUBLE_COLUMNS = ("row", "piece", "table", "column", "before", "rule")


def read_facts(
    reader: MappedSheet, rows: pd.DataFrame, key: bytes
) -> tuple[dict[str, pd.DataFrame], list[pd.DataFrame]]:
    """Return what the rows say, and the values that could not be read.

    Parameters
    ----------
    reader
        The sheet and its map.
    rows
        Input rows with ``child, clinic, reason``.
    key
        Secret of the pseudonyms.
    """
    usable = rows["reason"].isna().to_numpy()
    facts: dict[str, pd.DataFrame] = {}
    troubles: list[pd.DataFrame] = []
    for table in ("children", "departures"):
        columns: dict[str, object] = {"row": np.arange(reader.n), "child": rows["child"]}
        for name in _names(reader, table):
            texts = reader.texts(table, name)
            assert texts is not None
            read = translate(texts, reader.source_map, f"{table}.{name}")
            if name == "age":
                read = _read_age(reader, texts)
                columns["precision_from_age"] = _precisions(read)
            elif name == "birth_on":
                columns.setdefault("birth_precision", _precisions(read))
            columns["birth_from_age" if name == "age" else name] = read.values
            troubles.append(_row_troubles(texts, read, table, name))
        if table == "children":
            columns["clinic"] = rows["clinic"]
        frame = pd.DataFrame(columns)
        facts[table] = frame[usable & _speaks(reader, table, frame)]
    links = reader.source_map.child.link
    if links:
        parts = [plain_texts(reader, heading) for heading in links]
        facts["children"]["link"] = key_texts(parts, key, purpose="link")[usable]
    facts["feet"], of_feet = _read_feet(reader, rows)
    facts["feet"] = facts["feet"][usable[facts["feet"]["row"].to_numpy()]]
    return facts, troubles + of_feet


def _speaks(reader: MappedSheet, table: str, facts: pd.DataFrame) -> np.ndarray:
    """Return the rows that say something of their own, where constants stand for every row."""
    own = [name for name in reader.source_map.columns.get(table, {}) if name in facts]
    if table == "children" or not own:
        return np.ones(reader.n, dtype=bool)
    return facts[own].notna().any(axis=1).to_numpy()


def _precisions(read: Translated) -> pd.Series:
    precision = pd.Series(pd.array(read.precision, dtype="string"))
    return precision.mask(pd.isna(read.values))


def _read_age(reader: MappedSheet, texts: pd.Categorical) -> Translated:
    """Return the birth dates that the told ages make, counted back from the day of telling."""
    settings = reader.source_map.ages
    table, _, name = settings.at.partition(".")
    told_on = reader.texts(table, name)
    assert told_on is not None
    told = pd.Series(translate(told_on, reader.source_map, settings.at).values)
    ages = read_ages(texts.categories, unit=settings.unit)
    days = np.append(ages.days, np.nan)[texts.codes]
    missing = is_missing_text(texts, reader.source_map, "children.age")
    age = pd.to_timedelta(np.where(missing, np.nan, np.floor(days)), unit="D")
    births = (told - age).astype("datetime64[s]")
    return Translated(
        values=births.array,
        is_bad=np.isnan(days) & ~missing,
        precision=np.append(ages.precision, "")[texts.codes],
    )


def _names(reader: MappedSheet, table: str) -> list[str]:
    source_map = reader.source_map
    given = [*source_map.columns.get(table, {}), *source_map.constants.get(table, {})]
    return [name for name in dict.fromkeys(given) if name not in ("clinic", "side")]


def _row_troubles(texts: pd.Categorical, read: Translated, table: str, column: str) -> pd.DataFrame:
    found = find_troubles(texts, read, table, column, np.arange(len(texts)))
    return found.assign(piece=pd.array([pd.NA] * len(found), dtype="string"))


def _read_feet(reader: MappedSheet, rows: pd.DataFrame) -> tuple[pd.DataFrame, list[pd.DataFrame]]:
    affected = _sides(reader, "feet")
    spoken_of = _sides(reader, "visits")
    if spoken_of.isna().all():
        spoken_of = affected
    parts, troubles = [], []
    for side in SIDES:
        is_spoken_of = spoken_of.isin([side, BOTH]) | spoken_of.isna()
        columns: dict[str, object] = {
            "row": np.arange(reader.n),
            "child": rows["child"],
            "side": pd.array([side] * reader.n, dtype="string"),
            "affected": affected.isin([side, BOTH]).astype("boolean").where(affected.notna()),
        }
        for name in _names(reader, "feet"):
            texts = reader.texts("feet", name, side)
            assert texts is not None
            read = translate(texts, reader.source_map, f"feet.{name}")
            columns[name] = pd.Series(read.values).where(is_spoken_of)
            troubles.append(_row_troubles(texts, read, "feet", name))
        parts.append(pd.DataFrame(columns))
    return pd.concat(parts, ignore_index=True), troubles


def _sides(reader: MappedSheet, table: str) -> pd.Series:
    heading = reader.source_map.columns.get(table, {}).get("side", "")
    if heading:
        return sides_of_row(reader.sheet.cells, reader.source_map, heading, table=table)
    return pd.Series(pd.array([pd.NA] * reader.n, dtype="string"))


def find_troubles(
    cells: pd.Categorical, read: Translated, table: str, column: str, row: np.ndarray
) -> pd.DataFrame:
    """Return the values of a column that could not be read.

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
    DataFrame
        ``TROUBLE_COLUMNS``; ``piece`` is the position of the text in ``cells``.
    """
    at = np.flatnonzero(read.is_bad)
    before = [veil(cells.categories[code]) for code in cells.codes[at]]
    return pd.DataFrame(
        {
            "row": row[at],
            "piece": at,
            "table": table,
            "column": column,
            "before": pd.array(before, dtype="string"),
            "rule": "unreadable",
        }
    )


def join_troubles(troubles: list[pd.DataFrame]) -> pd.DataFrame:
    """Return troubles as one frame."""
    filled = [part for part in troubles if len(part)]
    if not filled:
        return pd.DataFrame(columns=list(TROUBLE_COLUMNS))
    return pd.concat(filled, ignore_index=True)[list(TROUBLE_COLUMNS)]
