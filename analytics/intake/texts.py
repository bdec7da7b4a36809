"""Texts inside intake: places in their distinct values, so that a text costs a row one number.

From the translation of a column to the writing of its part a text is a ``pd.Categorical`` without
order; a category may be one that no row has any more. What leaves intake (``Records``, and what
is read of a kept part) has "string" columns: ``plain_frame``.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
import pandas as pd

_NO_TEXTS = np.array([], dtype=object)


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
    if not parts:
        return repeat_text(None, 0)
    first = parts[0].categories
    if all(part.categories is first for part in parts):
        return from_codes(np.concatenate([part.codes for part in parts]), first)
    held = [part.categories.to_numpy(dtype=object) for part in parts]
    places, distinct = pd.factorize(np.concatenate([*held, _NO_TEXTS]))
    own = np.split(places, np.cumsum([len(part) for part in held])[:-1])
    kind = np.min_scalar_type(-1 - len(distinct))
    codes = [
        np.append(place, -1).astype(kind)[part.codes]
        for place, part in zip(own, parts, strict=True)
    ]
    return from_codes(np.concatenate(codes), distinct)


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
        if not sort:
            return codes, distinct
        order = np.argsort(distinct, kind="stable")
        rank = np.full(len(order) + 1, -1)
        rank[order] = np.arange(len(order))
        return rank[codes], distinct[order]
    if isinstance(held, pd.arrays.StringArray):
        return pd.factorize(np.asarray(held, dtype=object), sort=sort)
    return pd.factorize(column, sort=sort)


def used_codes(texts: pd.Categorical) -> tuple[np.ndarray, np.ndarray]:
    """Return places in the texts that some row has, and these; missing is -1."""
    distinct = texts.categories.to_numpy(dtype=object)
    codes = texts.codes
    used = np.zeros(len(distinct) + 1, dtype=bool)
    used[codes] = True
    used[-1] = False
    if used[:-1].all():
        return codes, distinct
    place = np.where(used, np.cumsum(used) - 1, -1)
    return place[codes], distinct[used[:-1]]


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
