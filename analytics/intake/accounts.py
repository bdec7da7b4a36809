"""The books of intake: fates of pieces and rows, amendments and flags, each with its address."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
import pandas as pd

from analytics.intake.frames import Columns, stack_frames, take_places, with_columns
from analytics.intake.ledger import (
    ADDRESS,
    AMENDMENT_COLUMNS,
    FATES,
    FLAG_COLUMNS,
    PIECE_COLUMNS,
    ROW_COLUMNS,
)
from analytics.intake.runs import begins
from analytics.intake.texts import (
    categorise,
    factorize,
    fold_codes,
    from_codes,
    put_text,
    repeat_text,
    stack_texts,
)


def with_address(frame: pd.DataFrame, rows: pd.DataFrame) -> pd.DataFrame:
    """Return the frame with file, sheet and line of its ``seq``.

    Parameters
    ----------
    frame
        Any rows with ``seq``.
    rows
        Input rows by ``seq``.
    """
    at = frame["seq"].to_numpy(dtype=np.int64)
    return with_columns(frame, **{name: rows[name].array.take(at) for name in ADDRESS})


def build_pieces(visits: pd.DataFrame, others: pd.DataFrame, rows: pd.DataFrame) -> pd.DataFrame:
    """Return one line for each piece with its fate.

    Parameters
    ----------
    visits, others
        Pieces with ``seq, piece, table, reason, into`` (``seq`` of the row that stands for it,
        -1 where there is none); a piece with a reason is quarantined.
    rows
        Input rows by ``seq``.

    Returns
    -------
    DataFrame
        Columns of the ledger's pieces and ``seq``.
    """
    columns = ["seq", "piece", "table", "reason", "into"]
    parts = [part[columns] for part in (visits, others) if len(part)]
    pieces = stack_frames(parts or [others[columns]])
    order = np.argsort(pieces["seq"].to_numpy(), kind="stable")
    if len(parts) > 1 or np.any(order[1:] < order[:-1]):
        pieces = take_places(pieces, order)
    reason, into = pieces["reason"].array, pieces["into"].to_numpy(dtype=np.int64)
    is_out = reason.codes >= 0
    is_merged = ~is_out & (into >= 0)
    pieces = with_columns(
        with_address(pieces, rows),
        fate=from_codes(np.where(is_out, 2, is_merged).astype(np.int8), FATES),
        reason=put_text(reason, is_merged, "duplicate"),
        merged_into=_addresses(np.where(is_merged, into, -1), rows),
    )
    return pieces[["seq", *PIECE_COLUMNS]]


def _addresses(seq: np.ndarray, rows: pd.DataFrame) -> pd.Categorical:
    """Return "file|sheet|line" of rows; missing where there is none, or a part is missing."""
    at = np.flatnonzero(seq >= 0)
    codes = np.full(len(seq), -1)
    codes[at], distinct = pd.factorize(seq[at])
    parts = [rows[name].array.take(distinct) for name in ADDRESS]
    texts = [
        None if any(pd.isna(part) for part in address) else "|".join(map(str, address))
        for address in zip(*parts, strict=True)
    ]
    return fold_codes(codes, np.array(texts, dtype=object))


def build_rows(pieces: pd.DataFrame, rows: pd.DataFrame) -> pd.DataFrame:
    """Return one line for each input row: kept if any piece is, else merged, else quarantined.

    Parameters
    ----------
    pieces
        ``build_pieces``, in the order of the rows.
    rows
        Input rows by ``seq``.
    """
    out, merged = pieces["reason"].array.codes >= 0, pieces["merged_into"].array.codes >= 0
    seq, n = pieces["seq"].to_numpy(), len(pieces)
    begin = begins(seq)
    worth = np.where(merged, 1, np.where(out, 2, 0)) * n + np.arange(n)
    place = np.full(len(rows), -1)
    if n:
        place[seq[begin]] = np.minimum.reduceat(worth, begin) % n
    held = {name: rows[name].array for name in ADDRESS}
    held |= {name: pieces[name].array.take(place, allow_fill=True) for name in ROW_COLUMNS[3:]}
    return pd.DataFrame(held | {"order": rows["order"].array}, copy=False)


def build_amendments(parts: list[Columns], rows: pd.DataFrame) -> pd.DataFrame:
    """Return one line for each changed value; parts have ``seq`` and the ledger's columns."""
    return _book(parts, rows, AMENDMENT_COLUMNS)


def build_flags(
    parts: list[Columns], rows: pd.DataFrame, *, further: tuple[str, ...] = ()
) -> pd.DataFrame:
    """Return one line for each fault; parts have ``seq`` and the ledger's columns."""
    return _book(parts, rows, (*FLAG_COLUMNS, *further))


def with_order(frame: pd.DataFrame, rows: pd.DataFrame) -> pd.DataFrame:
    """Return the frame with the place of its ``seq`` among all exports in its stead."""
    order = rows["order"].to_numpy()[frame["seq"].to_numpy(dtype=np.int64)]
    held = {name: frame[name].array for name in frame.columns if name != "seq"}
    return pd.DataFrame(held | {"order": order}, copy=False)


def _book(parts: list[Columns], rows: pd.DataFrame, columns: tuple[str, ...]) -> pd.DataFrame:
    filled = [part for part in parts if len(part.get("seq", ()))]
    held = {name: _stack_column(filled, name) for name in ("seq", *columns) if name not in ADDRESS}
    seq = held.pop("seq")
    held |= {name: rows[name].array.take(seq) for name in ADDRESS}
    order = _order_book({name: pd.Series(held[name]) for name in _KEY})
    return pd.DataFrame({name: held[name].take(order) for name in columns}, copy=False)


#: Columns by which a book is sorted.
_KEY = (*ADDRESS, "rule")

#: Columns of books that are no texts, with what is missing there.
_MISSING = {"on": np.datetime64("NaT", "s"), "mark": np.uint64(0), "seq": np.int64(-1)}


def _stack_column(parts: list[Columns], name: str) -> Any:
    """Return a column of parts under each other; it is missing where a part lacks it."""
    lengths = [len(part["seq"]) for part in parts]
    if name not in _MISSING:
        texts = [part.get(name) for part in parts]
        return stack_texts(
            [repeat_text(None, n) if told is None else _code(told)
             for told, n in zip(texts, lengths, strict=True)]
        )  # fmt: skip
    kind = _MISSING[name].dtype
    held = [
        np.asarray(part[name]).astype(kind) if name in part else np.repeat(_MISSING[name], n)
        for part, n in zip(parts, lengths, strict=True)
    ]
    column = np.concatenate([*held, np.array([], dtype=kind)])
    return pd.array(column, dtype="UInt64") if name == "mark" else column


def _code(texts: Any) -> pd.Categorical:
    return texts if isinstance(texts, pd.Categorical) else categorise(np.asarray(texts, object))


def sort_book(book: pd.DataFrame) -> pd.DataFrame:
    """Return a book by file, sheet, line and rule; lines of no row stand last."""
    return take_places(book, _order_book({name: book[name] for name in _KEY}))


def _order_book(columns: Mapping[str, pd.Series]) -> np.ndarray:
    codes = [factorize(columns[name], sort=True)[0] for name in ("rule", *reversed(ADDRESS))]
    # What is missing has the code -1 and comes last.
    return np.lexsort([np.where(code < 0, code.max(initial=0) + 1, code) for code in codes])
