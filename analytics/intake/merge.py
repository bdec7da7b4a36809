"""Rows that speak of the same record: the first stands, gaps are filled, conflicts are told."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TypeAlias

import numpy as np
import pandas as pd

from analytics.intake.runs import changes
from analytics.intake.texts import factorize

Values: TypeAlias = pd.api.extensions.ExtensionArray

#: Standing rows, and a text for each.
_Told = tuple[np.ndarray, list[str]]


@dataclass(frozen=True)
class Merged:
    """Records after merging.

    Parameters
    ----------
    records
        One row for each key, in order of first submission; the columns of the input.
    filled, conflicts
        ``at`` (position of the standing row in the input), ``column``, ``found`` (what was
        filled in, or the values that differ).
    """

    records: pd.DataFrame
    filled: pd.DataFrame
    conflicts: pd.DataFrame


def merge_rows(rows: pd.DataFrame, key: tuple[str, ...], values: list[str]) -> Merged:
    """Return one record for each key: its first row, with gaps filled from later ones.

    Parameters
    ----------
    rows
        Rows in the order in which they count; keys are known.
    key
        Columns that make a record the same record.
    values
        Columns to fill and to compare; the others are those of the first row.
    """
    code = group_codes(rows, key)
    first = np.full(int(code.max(initial=-1)) + 1, len(rows))
    first[code[::-1]] = np.arange(len(rows))[::-1]  # the earliest is written last
    held = {name: rows[name].array.take(first) for name in rows.columns}
    several = np.flatnonzero(np.bincount(code, minlength=len(first))[code] > 1)
    several = several[np.argsort(code[several], kind="stable")]
    filled, conflicts = [], []
    for name in values:
        gaps, differing = _compare(rows[name].array, several, first[code[several]])
        if gaps is not None:
            held[name] = held[name].copy()
            held[name][code[gaps[0]]] = gaps[1]
            filled.append(_note(gaps[0], name, pd.Series(gaps[1]).astype("string").array))
        if differing is not None:
            conflicts.append(_note(differing[0], name, differing[1]))
    records = pd.DataFrame(held, index=first, copy=False)
    return Merged(records, _stack(filled), _stack(conflicts))


def group_codes(rows: pd.DataFrame, key: tuple[str, ...]) -> np.ndarray:
    """Return the number of each row's key, in order of appearance."""
    code, room = np.zeros(len(rows), dtype=np.int64), 1
    for name in key:
        part, distinct = factorize(rows[name])
        width = len(distinct) + 1
        if room > 2**62 // width:
            code, found = pd.factorize(code)
            room = len(found)
        code, room = code * width + part + 1, room * width
    return pd.factorize(code)[0]


def first_rows(codes: Sequence[np.ndarray]) -> np.ndarray:
    """Return the first row of each combination of codes, in the order of the rows.

    Parameters
    ----------
    codes
        Columns of one length, as numbers from -1 on.
    """
    code, room = np.zeros(len(codes[0]), dtype=np.int64), 1
    for part in codes:
        width = int(part.max(initial=-1)) + 2
        if room > 2**62 // width:
            code, distinct = pd.factorize(code)
            room = len(distinct)
        code, room = code * width + part + 1, room * width
    return np.flatnonzero(~pd.Series(code).duplicated())


def _compare(
    column: Values, rows: np.ndarray, stands: np.ndarray
) -> tuple[tuple[np.ndarray, Values] | None, _Told | None]:
    """Return the gaps that a later row fills, and the groups whose values differ.

    Parameters
    ----------
    column
        Values of all rows.
    rows
        Rows of groups of several, those of a group behind each other.
    stands
        The first row of the group of each.

    Returns
    -------
    tuple
        Standing rows with the value that fills them, and such with the values that differ.
    """
    told = column.take(rows)
    known = np.flatnonzero(~told.isna())
    if not len(known):
        return None, None
    group = stands[known]
    opens = changes(group)
    first = known[opens]
    gap = first[rows[first] != stands[first]]
    gap = gap[np.argsort(rows[gap], kind="stable")]
    value = _number(told, known)
    differs = value != value[opens][np.cumsum(opens) - 1]
    odd = np.isin(group, group[differs])
    conflict = (
        _tell_values(told.take(known[odd]), value[odd], group[odd]) if differs.any() else None
    )
    return ((stands[gap], told.take(gap)) if len(gap) else None), conflict


def _number(values: Values, at: np.ndarray) -> np.ndarray:
    """Return a number for each value at some places: equal where values are."""
    if isinstance(values, pd.Categorical):
        return values.codes[at]
    return pd.factorize(values.take(at))[0]


def _tell_values(values: Values, number: np.ndarray, group: np.ndarray) -> _Told:
    """Return each group with its distinct values as one text."""
    pair = first_rows([group, number])
    texts = pd.Series(values.take(pair)).astype("string").tolist()
    told: dict[int, list[str]] = {}
    for one, text in zip(group[pair].tolist(), texts, strict=True):
        told.setdefault(one, []).append(text)
    return np.array([*told], dtype=np.int64), [" / ".join(texts) for texts in told.values()]


def _note(at: np.ndarray, column: str, found: Sequence[object] | Values) -> pd.DataFrame:
    return pd.DataFrame({"at": at, "column": column, "found": pd.array(found, dtype="string")})


def _stack(parts: list[pd.DataFrame]) -> pd.DataFrame:
    if not parts:
        return pd.DataFrame({"at": np.array([], dtype=np.int64), "column": [], "found": []})
    return pd.concat(parts, ignore_index=True)
