"""Rows that speak of the same record: the first stands, gaps are filled, conflicts are told."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from analytics.intake.texts import factorize


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
    n = len(rows)
    first = np.full(int(code.max(initial=-1)) + 1, n)
    first[code[::-1]] = np.arange(n)[::-1]  # the earliest is written last
    records = rows.iloc[np.sort(first)].copy()
    several = np.flatnonzero(np.bincount(code, minlength=len(first))[code] > 1)
    subset, groups = rows.iloc[several], first[code[several]]
    filled, conflicts = [], []
    for name in values:
        known = subset[name].notna().to_numpy()
        if not known.any():
            continue
        found_filled, conflict = _compare(subset[name][known], groups[known], rows[name])
        if len(found_filled):
            positions = np.searchsorted(np.sort(first), found_filled["at"].to_numpy())
            column = records[name].array.copy()
            column[positions] = found_filled["value"].array
            records[name] = column
            filled.append(_note(found_filled["at"], name, found_filled["value"]))
        if len(conflict):
            conflicts.append(_note(conflict["at"], name, conflict["value"]))
    return Merged(records, _stack(filled), _stack(conflicts))


def group_codes(rows: pd.DataFrame, key: tuple[str, ...]) -> np.ndarray:
    """Return the number of each row's key; rows of one key have one number."""
    code = np.zeros(len(rows), dtype=np.int64)
    for name in key:
        part, distinct = factorize(rows[name])
        code = pd.factorize(code * (len(distinct) + 1) + part)[0]
    return code


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
    known: pd.Series, groups: np.ndarray, all_values: pd.Series
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Return the gaps that a later row fills, and the groups whose values differ."""
    code, distinct = factorize(known)
    texts = pd.Series(distinct).astype("string")
    first = np.flatnonzero(~pd.Series(groups).duplicated())
    gap = first[all_values.iloc[groups[first]].isna().to_numpy()]
    filled = pd.DataFrame({"at": groups[gap], "value": known.array.take(gap)})
    pair = np.flatnonzero(~pd.Series(groups * len(distinct) + code).duplicated())
    several = pair[pd.Series(groups[pair]).duplicated(keep=False).to_numpy()]
    told = pd.Series(texts.array.take(code[several])).groupby(groups[several], sort=True)
    joined = told.agg(" / ".join) if len(several) else pd.Series([], dtype="string")
    return filled, pd.DataFrame({"at": joined.index.to_numpy(), "value": joined.array})


def _note(at: pd.Series, column: str, values: pd.Series) -> pd.DataFrame:
    return pd.DataFrame(
        {"at": at.to_numpy(), "column": column, "found": values.astype("string").array}
    )


def _stack(parts: list[pd.DataFrame]) -> pd.DataFrame:
    if not parts:
        return pd.DataFrame({"at": np.array([], dtype=np.int64), "column": [], "found": []})
    return pd.concat(parts, ignore_index=True)
