"""Texts inside intake: places in their distinct values, so that a text costs a row one number.

From the translation of a column to the writing of its part a text is a ``pd.Categorical`` without
order; a category may be one that no row has any more. What leaves intake (``Records``, and what
is read of a kept part) has "string" columns: ``plain_frame``.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc

_NO_TEXTS = np.array([], dtype=object)

#: Distinct texts up to which each is looked for by itself.
_FEW = 32

#: Distinct texts from which on Arrow sorts them faster than Python.
_WORTH_ARROW = 1_000


def from_codes(
    codes: np.ndarray, distinct: Sequence[object] | np.ndarray | pd.Index
) -> pd.Categorical:
    """Return texts from places in distinct ones; -1 is missing.

    Parameters
    ----------
    codes
        A place for each row, none beyond the texts.
    distinct
        Texts, each once and none missing.
    """
    categories = distinct if isinstance(distinct, pd.Index) else pd.Index(distinct, dtype=object)
    return pd.Categorical.from_codes(codes, categories=categories, validate=False)


def fold_codes(codes: np.ndarray, values: np.ndarray) -> pd.Categorical:
    """Return texts from places in values that may repeat a text, or be missing.

    Parameters
    ----------
    codes
        A place for each row; -1 is missing.
    values
        Texts; what is missing is None or NA.
    """
    place, distinct = pd.factorize(np.asarray(values, dtype=object))
    if len(distinct) == len(place):
        return from_codes(codes, distinct)
    kind = np.min_scalar_type(-1 - len(distinct))
    return from_codes(np.append(place, -1).astype(kind)[codes], distinct)


def categorise(values: Sequence[object] | np.ndarray) -> pd.Categorical:
    """Return values as codes into their distinct ones, in order of appearance."""
    held = np.empty(len(values), dtype=object)
    held[:] = values
    return from_codes(*pd.factorize(held))


def coded_column(column: pd.Series) -> pd.Categorical:
    """Return a column of texts, coded or not, as codes."""
    held = column.array
    return held if isinstance(held, pd.Categorical) else categorise(np.asarray(held, dtype=object))


def repeat_text(text: str | None, n: int) -> pd.Categorical:
    """Return one text, or none, for each of ``n`` rows."""
    code = -1 if text is None else 0
    return from_codes(np.full(n, code, dtype=np.int8), [] if text is None else [text])


def stack_texts(parts: Sequence[pd.Categorical]) -> pd.Categorical:
    """Return texts under each other, categories in order of appearance."""
    distinct, places = _join_categories(parts)
    kind = np.min_scalar_type(-1 - len(distinct))
    codes = [
        part.codes if place is None else np.append(place, -1).astype(kind)[part.codes]
        for part, place in zip(parts, places, strict=True)
    ]
    return from_codes(np.concatenate([*codes, np.array([], dtype=np.int8)]), distinct)


def share_texts(columns: Sequence[pd.Categorical]) -> list[pd.Categorical]:
    """Return columns as codes into the same texts: those that any row has, sorted.

    A smaller code is then a smaller text, and equal codes of two columns are equal texts. Columns
    that are such already stay as they are, also where no row has a text any more.
    """
    first = columns[0].categories
    if all(column.categories is first for column in columns) and first.is_monotonic_increasing:
        return [*columns]
    distinct, places = _join_categories(columns)
    used = np.zeros(len(distinct) + 1, dtype=bool)
    moved = []
    for column, place in zip(columns, places, strict=True):
        to = np.arange(len(column.categories)) if place is None else place
        used[to[_find_used(column)]] = True
        moved.append(to)
    rank, texts = sort_texts(distinct.to_numpy(dtype=object)[used[:-1]])
    new = np.full(len(used), -1)
    new[np.flatnonzero(used)] = rank
    shared = pd.Index(texts, dtype=object)
    kind = np.min_scalar_type(-1 - len(texts))
    return [
        from_codes(np.append(new[to], -1).astype(kind)[column.codes], shared)
        for column, to in zip(columns, moved, strict=True)
    ]


def _join_categories(
    parts: Sequence[pd.Categorical],
) -> tuple[pd.Index, list[np.ndarray | None]]:
    """Return the categories of all in order of appearance, and the place of each part's in them.

    Parts with the categories of all need no place.
    """
    held = {id(part.categories): part.categories for part in parts if len(part.categories)}
    if len(held) < 2:
        return next(iter(held.values()), pd.Index(_NO_TEXTS)), [None] * len(parts)
    texts = [categories.to_numpy(dtype=object) for categories in held.values()]
    places, distinct = pd.factorize(np.concatenate(texts))
    ends = np.cumsum([len(part) for part in texts])
    own = dict(zip(held, np.split(places, ends[:-1]), strict=True))
    none = np.array([], dtype=np.int64)
    return pd.Index(distinct, dtype=object), [own.get(id(part.categories), none) for part in parts]


def sort_texts(distinct: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return the rank of each of some distinct texts, and the texts sorted by code points."""
    if len(distinct) < _WORTH_ARROW:
        order = np.argsort(distinct, kind="stable")
    else:  # bytes of UTF-8 stand in the order of the code points
        order = pc.array_sort_indices(pa.array(distinct, pa.string())).to_numpy()
    rank = np.empty(len(order), dtype=np.int64)
    rank[order] = np.arange(len(order))
    return rank, distinct[order]


def put_text(texts: pd.Categorical, at: np.ndarray, text: str) -> pd.Categorical:
    """Return the texts with one text in some rows, of which ``at`` is the mask."""
    if not at.any():
        return texts
    if text not in texts.categories:
        texts = texts.add_categories(text)
    place = texts.categories.get_loc(text)
    return from_codes(np.where(at, place, texts.codes), texts.categories)


def fill_texts(texts: pd.Categorical, text: str) -> pd.Categorical:
    """Return the texts with one text where they are missing."""
    return put_text(texts, texts.codes < 0, text)


def map_texts(texts: pd.Categorical, to: Mapping[str, str]) -> pd.Categorical:
    """Return the texts with some of them replaced by other ones."""
    if not to:
        return texts
    values = [to.get(text, text) for text in texts.categories]
    return fold_codes(texts.codes, np.array(values, dtype=object))


def factorize(column: pd.Series, *, sort: bool = False) -> tuple[np.ndarray, np.ndarray | pd.Index]:
    """Return a column as places in its distinct values, and these; missing is -1.

    As ``pd.factorize``, in half the time where it holds texts, and in none where they are coded;
    the distinct texts of coded ones may hold one that no row has.
    """
    held = column.array
    if isinstance(held, pd.Categorical):
        codes, distinct = held.codes.astype(np.int64), held.categories.to_numpy(dtype=object)
        if not sort or held.categories.is_monotonic_increasing:
            return codes, distinct
        rank, distinct = sort_texts(distinct)
        return np.append(rank, -1)[codes], distinct
    if isinstance(held, pd.arrays.StringArray):
        return pd.factorize(np.asarray(held, dtype=object), sort=sort)
    return pd.factorize(column, sort=sort)


def used_codes(texts: pd.Categorical) -> tuple[np.ndarray, np.ndarray]:
    """Return places in the texts that some row has, and these; missing is -1."""
    distinct = texts.categories.to_numpy(dtype=object)
    codes = texts.codes
    used = _find_used(texts)
    if used.all():
        return codes, distinct
    place = np.append(np.where(used, np.cumsum(used) - 1, -1), -1)
    return place[codes], distinct[used]


def _find_used(texts: pd.Categorical) -> np.ndarray:
    """Return whether any row has each category."""
    codes, n = texts.codes, len(texts.categories)
    if n <= _FEW and codes.dtype == np.int8:  # a byte is compared 16 times as fast as counted
        return np.array([(codes == code).any() for code in range(n)], dtype=bool)
    used = np.zeros(n + 1, dtype=bool)
    used[codes] = True
    return used[:-1]


def coded_frame(frame: pd.DataFrame) -> pd.DataFrame:
    """Return the frame with its "string" columns coded."""
    return _with(frame, {n: categorise(np.asarray(frame[n].array, dtype=object))
                         for n, kind in frame.dtypes.items() if kind == "string"})  # fmt: skip


def plain_frame(frame: pd.DataFrame) -> pd.DataFrame:
    """Return the frame with its coded columns as "string" ones."""
    return _with(frame, {n: plain_texts(frame[n].array)
                         for n, kind in frame.dtypes.items() if kind == "category"})  # fmt: skip


def plain_texts(texts: pd.Categorical) -> pd.arrays.StringArray:
    """Return coded texts as a "string" column."""
    held = np.append(texts.categories.to_numpy(dtype=object), pd.NA)
    return pd.arrays.StringArray(held[texts.codes])


def _with(frame: pd.DataFrame, columns: dict[str, object]) -> pd.DataFrame:
    held = {name: columns.get(name, frame[name].array) for name in frame.columns}
    return pd.DataFrame(held, index=frame.index, copy=False) if columns else frame
