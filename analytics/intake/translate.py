"""Cell text to value, on distinct values only; what cannot be read is reported, never guessed."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc

from analytics.definitions.columns import EXTRA_PREFIX, TABLES, Column
from analytics.errors import SourceMapError
from analytics.intake.dates import read_all_dates, read_dates
from analytics.intake.map_types import SourceMap
from analytics.intake.numbers import read_numbers
from analytics.intake.suggest import listed, suggest
from analytics.intake.texts import fold_codes

NO_DATE = np.datetime64("NaT", "s")

#: Texts that are a column's answer although it is no canonical code: the row is split.
BOTH = "both"


@dataclass(frozen=True)
class Translated:
    """A column of values.

    Parameters
    ----------
    distinct, codes
        Nullable array of the values, the last one missing; and the place in it of each row, where
        -1 is the last one too. A value may stand there twice.
    bad
        Which of them stand for a text that says something and cannot be read.
    precision
        For dates: "day", "month" or "year" for each of them; else nothing.
    """

    distinct: pd.api.extensions.ExtensionArray
    codes: np.ndarray
    bad: np.ndarray
    precision: np.ndarray | None = None

    def take(self, at: np.ndarray) -> pd.api.extensions.ExtensionArray:
        """Return the values of some rows; texts are coded."""
        return self._spread(self.codes[at])

    @property
    def values(self) -> pd.api.extensions.ExtensionArray:
        """Return the value of each row; texts are coded."""
        return self._spread(self.codes)

    def _spread(self, codes: np.ndarray) -> pd.api.extensions.ExtensionArray:
        if isinstance(self.distinct, pd.arrays.StringArray):
            return fold_codes(codes, np.asarray(self.distinct))
        return self.distinct.take(codes)

    @property
    def is_bad(self) -> np.ndarray:
        """Return the rows whose text says something that cannot be read."""
        return self.bad[self.codes]

    def says(self, *values: str) -> np.ndarray:
        """Return the rows that have one of the values; missing is not one."""
        known = self.distinct.fillna("")
        return np.array([value in values for value in known], dtype=bool)[self.codes]

    @property
    def is_known(self) -> np.ndarray:
        """Return the rows whose value is not missing."""
        return ~np.asarray(self.distinct.isna())[self.codes]


def declared_column(table: str, name: str) -> Column:
    """Return a canonical column; an ``extra_`` one is text."""
    if name.startswith(EXTRA_PREFIX) or (table, name) == ("children", "age"):
        return Column(name, "text", "As it stands in the export.")
    return {column.name: column for column in TABLES[table]}[name]


def missing_categories(cells: pd.Categorical, source_map: SourceMap, name: str) -> np.ndarray:
    """Return for each category, and last for a cell that is not there, whether it means missing.

    Parameters
    ----------
    cells
        Texts of the export.
    source_map
        Texts that mean missing.
    name
        ``table.column``.
    """
    table, _, short = name.partition(".")
    texts = [*source_map.missing, *source_map.missing_in.get(name, ()), ""]
    for vocabulary in _code_tables(source_map, name):
        texts += vocabulary.get("missing", ())
    plain = {text.strip().casefold() for text in texts}
    # As _plain, without a call for each of many texts.
    found = [" ".join(str(t).split()).casefold() in plain for t in cells.categories.to_numpy()]
    if declared_column(table, short).kind == "date":
        found = list(np.array(found, dtype=bool) | _are_placeholders(cells, source_map, name))
    return np.array([*found, True], dtype=bool)


def translate(cells: pd.Categorical, source_map: SourceMap, name: str) -> Translated:
    """Return the values of a column of texts.

    Parameters
    ----------
    cells
        Texts of the export.
    source_map
        Codes, dates, numbers and what means missing.
    name
        ``table.column``.

    Raises
    ------
    SourceMapError
        When a code is not in the map and the map says to stop at such.
    """
    table, _, short = name.partition(".")
    column = declared_column(table, short)
    missing = missing_categories(cells, source_map, name)[:-1]
    texts = cells.categories.to_numpy(dtype=object)
    readers = {
        "text": _read_texts,
        "code": _read_codes,
        "flag": _read_flags,
        "date": _read_dates,
        "number": _read_numbers,
        "integer": _read_numbers,
    }
    values, readable, precision = readers[column.kind](texts, source_map, name)
    bad = np.append(~(readable | missing), False)
    return Translated(
        distinct=_nullable(values, readable & ~missing, _array_kind(column)),
        codes=cells.codes,
        bad=bad,
        precision=None if precision is None else np.append(precision, "day"),
    )


def _nullable(values: np.ndarray, known: np.ndarray, kind: str) -> pd.api.extensions.ExtensionArray:
    """Return the values that are known, the others missing, and a missing one at the end."""
    missing = np.append(~known, True)
    if kind == "Float64":
        return pd.arrays.FloatingArray(np.append(np.where(known, values, 0.0), 0.0), missing)
    if kind == "datetime64[s]":
        return pd.array(np.append(np.where(known, values, NO_DATE), NO_DATE), dtype=kind)
    held = np.append(values, pd.NA)
    held[missing] = pd.NA
    return pd.array(held, dtype=kind)


def is_coded(name: str) -> bool:
    """Return whether a ``table.column`` holds agreed codes."""
    table, _, short = name.partition(".")
    return declared_column(table, short).kind in ("code", "flag") or short == "clinic"


def find_unmapped(cells: pd.Categorical, read: Translated) -> list[tuple[str, int, int]]:
    """Return the texts that could not be read, each with its rows and the first of them.

    Parameters
    ----------
    cells
        Texts of the export.
    read
        What they were translated to.
    """
    if not read.bad.any():
        return []
    at = np.flatnonzero(read.is_bad)
    codes, first, n = np.unique(cells.codes[at], return_index=True, return_counts=True)
    return [
        (str(cells.categories[code]), int(many), int(row))
        for code, many, row in zip(codes, n, at[first], strict=True)
    ]


def unmapped_error(
    texts: list[str], source_map: SourceMap, name: str, *, where: str
) -> SourceMapError:
    """Return the error that names the texts of a column that the map does not know."""
    known = [*_codes_of(source_map, name)]
    add = (
        f"add each text under [codes] in the source map '{source_map.name}', or to what means "
        "missing"
    )
    return SourceMapError(
        f"the column {name} has texts that the map does not know: "
        f"{listed([repr(text) for text in texts])}",
        where=where,
        allowed=listed(known, most=40),
        todo=" ".join(filter(None, [suggest(texts[0], known), add])),
    )


def _are_placeholders(cells: pd.Categorical, source_map: SourceMap, name: str) -> np.ndarray:
    """Return the distinct texts that are a date which stands for missing."""
    placeholders = source_map.dates.placeholders
    years = {text[:4] for text in placeholders} | {text[2:4] for text in placeholders}
    texts = cells.categories.to_numpy(dtype=object)
    found = np.zeros(len(texts), dtype=bool)
    if not years:
        return found
    written = pa.array([str(text) for text in texts], pa.string())
    pattern = "|".join(re.escape(year) for year in sorted(years))
    likely = pc.match_substring_regex(written, pattern).to_numpy(zero_copy_only=False)
    if likely.any():
        formats = source_map.dates.columns.get(name, source_map.dates.formats)
        days = read_all_dates(texts[likely], formats, source_map.dates).days
        found[likely] = np.isin(days.astype(str), placeholders)
    return found


def _plain(text: object) -> str:
    return " ".join(str(text).split()).casefold()


def _code_tables(source_map: SourceMap, name: str) -> list[dict[str, tuple[str, ...]]]:
    """Return the tables of codes that hold for a column, the most special one first."""
    table, _, short = name.partition(".")
    column = declared_column(table, short)
    general = "clinic" if short == "clinic" else "flag" if column.kind == "flag" else ""
    names = (name, column.vocabulary or general)
    return [source_map.codes[n] for n in names if n in source_map.codes]


def _codes_of(source_map: SourceMap, name: str) -> dict[str, str]:
    """Return plain text to canonical code."""
    table, _, short = name.partition(".")
    column = declared_column(table, short)
    own = ("yes", "no") if column.kind == "flag" else column.allowed
    both = (BOTH,) if short == "side" else ()
    known = {_plain(code): code for code in (*own, *both)}
    for vocabulary in reversed(_code_tables(source_map, name)):
        for code, texts in vocabulary.items():
            known |= {_plain(text): code for text in (*texts, *((code,) if not own else ()))}
    return {text: code for text, code in known.items() if code != "missing"}


_Read = tuple[np.ndarray, np.ndarray, np.ndarray | None]


def _read_texts(texts: np.ndarray, source_map: SourceMap, name: str) -> _Read:
    plain = np.array([" ".join(str(text).split()) for text in texts], dtype=object)
    known = _codes_of(source_map, name) if name.endswith(".clinic") else {}
    if not known:
        return plain, np.ones(len(texts), dtype=bool), None
    return _look_up(texts, known)


def _read_codes(texts: np.ndarray, source_map: SourceMap, name: str) -> _Read:
    return _look_up(texts, _codes_of(source_map, name))


def _read_flags(texts: np.ndarray, source_map: SourceMap, name: str) -> _Read:
    codes = _codes_of(source_map, name)
    return _look_up(texts, {text: code == "yes" for text, code in codes.items()})


def _look_up(texts: np.ndarray, known: Mapping[str, object]) -> _Read:
    found = [known.get(_plain(text)) for text in texts]
    values = np.empty(len(texts), dtype=object)
    values[:] = found
    return values, np.array([value is not None for value in found], dtype=bool), None


def _read_dates(texts: np.ndarray, source_map: SourceMap, name: str) -> _Read:
    formats = source_map.dates.columns.get(name, source_map.dates.formats)
    dates = read_dates(texts, formats, source_map.dates)
    readable = ~np.isnat(dates.days)
    return dates.days.astype("datetime64[s]"), readable, dates.precision


def _read_numbers(texts: np.ndarray, source_map: SourceMap, name: str) -> _Read:
    table, _, short = name.partition(".")
    column = declared_column(table, short)
    highest = column.limits[1] if column.limits and column.unit == "points" else None
    numbers = read_numbers(texts, decimal=source_map.decimal, highest=highest)
    return numbers, ~np.isnan(numbers), None


def _array_kind(column: Column) -> str:
    # Whole-number columns are held as fractions until the rules have seen them.
    return "Float64" if column.kind == "integer" else column.dtype
