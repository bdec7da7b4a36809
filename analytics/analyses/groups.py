"""Groups of feet by columns, and frames in the types of their shape."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from functools import reduce

import numpy as np
import pandas as pd

from analytics.definitions.labels import labels
from analytics.errors import NotEstimableError
from analytics.results import Phrase, Shape

_TYPES = {"count": "Int64", "figure": "Float64", "code": "string", "time": "Float64"}


def find_groups(feet: pd.DataFrame, by: Sequence[str]) -> tuple[list[str], pd.Series, pd.DataFrame]:
    """Return group columns, the group of every foot (-1: none), and the groups in order.

    Parameters
    ----------
    feet
        One row per foot.
    by
        Its columns; a foot without a value in one of them is in no group.
    """
    names = list(by)
    if not names:
        labels = pd.DataFrame(index=[0])
        return names, code_groups(feet, labels), labels
    labels = list_groups([feet[names]])
    return names, code_groups(feet, labels), labels


def list_groups(frames: Sequence[pd.DataFrame]) -> pd.DataFrame:
    """Return the groups of frames of the same columns, in order; without missing values."""
    every = pd.concat([frame.dropna().drop_duplicates() for frame in frames])
    return every.drop_duplicates().sort_values([*every.columns]).reset_index(drop=True)


def code_groups(feet: pd.DataFrame, labels: pd.DataFrame) -> pd.Series:
    """Return the group of every foot among those listed; -1 for none."""
    at, of_label = np.zeros(len(feet), dtype=np.int64), np.zeros(len(labels), dtype=np.int64)
    is_known = np.ones(len(feet), dtype=bool)
    for name in labels.columns:
        distinct = pd.Index(labels[name].unique())
        place = _find_places(feet[name], distinct)
        is_known &= place >= 0
        at = at * len(distinct) + place
        of_label = of_label * len(distinct) + distinct.get_indexer(labels[name])
    codes = np.where(is_known, pd.Index(of_label).get_indexer(at), -1)
    return pd.Series(codes, index=feet.index)


def _find_places(column: pd.Series, distinct: pd.Index) -> np.ndarray:
    """Return the place of each value among some distinct ones; -1 for none."""
    if not isinstance(column.dtype, pd.CategoricalDtype):
        return distinct.get_indexer(column)
    of_word = distinct.get_indexer(column.cat.categories)
    return np.append(of_word, -1)[column.cat.codes]


def typed(frame: pd.DataFrame, shape: Shape, names: Sequence[str]) -> pd.DataFrame:
    """Return the groups and the columns of a shape, in order, in their types."""
    wanted = {name: _TYPES[kind] for name, kind in shape.columns.items()}
    return frame[[*names, *wanted]].astype(wanted)


def join(parts: Sequence[pd.DataFrame], shape: Shape) -> pd.DataFrame:
    """Return parts in one frame; without any, an empty one with the group and all columns."""
    if parts:
        return pd.concat(parts, ignore_index=True)
    return pd.DataFrame(columns=["group", *shape.columns])


def split(rows: pd.DataFrame, by: Sequence[str]) -> Iterator[tuple[tuple[str, ...], pd.DataFrame]]:
    """Yield the levels and the rows of every group; rows without a level are in none."""
    if rows.empty:
        return
    if not by:
        yield (), rows
        return
    for key, part in rows.groupby(list(by), sort=True, dropna=True):
        yield tuple(key), part


def comparable(rows: pd.DataFrame, by: Sequence[str]) -> tuple[pd.DataFrame, np.ndarray]:
    """Return the rows of groups of two children or more, and the group of each in one word.

    A group of one child has no curve, so it is not among those compared.

    Raises
    ------
    NotEstimableError
        ``one_group`` where fewer than two are left.
    """
    names = list(by)
    levels = rows[[*names, "child"]].reset_index(drop=True).dropna(subset=names)
    n_children = levels.groupby(names)["child"].transform("nunique")
    levels = levels.loc[n_children > 1, names].astype("string")
    known = rows.iloc[levels.index.to_numpy()]
    n_groups = len(levels.drop_duplicates())
    if n_groups < 2:
        raise NotEstimableError("one_group", n_groups=n_groups, n_rows=len(known))
    first, *others = (levels[name].to_numpy(dtype=object) for name in names)
    return known, reduce(lambda word, other: word + " " + other, others, first).astype(str)


def name_group(by: Sequence[str], key: Sequence[object]) -> tuple[Phrase, ...]:
    """Return the words of a group for a note.

    Only codes of ours are named: what came from an export, such as a clinic, may be withheld.
    """
    known = labels("en")
    pairs = [(f"column.{name}", f"level.{value}") for name, value in zip(by, key, strict=True)]
    if not all(part in known for pair in pairs for part in pair):
        return ()
    return tuple(Phrase("word.group", {"name": Phrase(n), "level": Phrase(v)}) for n, v in pairs)
