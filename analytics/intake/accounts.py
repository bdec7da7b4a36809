"""The books of intake: fates of pieces and rows, amendments and flags, each with its address."""

from __future__ import annotations

import numpy as np
import pandas as pd

from analytics.intake.frames import nothing, with_columns
from analytics.intake.ledger import (
    AMENDMENT_COLUMNS,
    FATES,
    FLAG_COLUMNS,
    PIECE_COLUMNS,
    ROW_COLUMNS,
)

ADDRESS = ("file", "sheet", "line")


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
    pieces = pd.concat(parts or [others[columns]], ignore_index=True)
    pieces = pieces.iloc[np.argsort(pieces["seq"].to_numpy(), kind="stable")]
    pieces = with_address(pieces.reset_index(drop=True), rows)
    is_out = pieces["reason"].notna().to_numpy()
    is_merged = ~is_out & (pieces["into"].to_numpy(dtype=np.int64) >= 0)
    fates = pd.array(FATES, dtype="string")
    reason = pieces["reason"].array.copy()
    reason[is_merged] = "duplicate"
    pieces = with_columns(
        pieces,
        fate=fates.take(np.where(is_out, 2, np.where(is_merged, 1, 0))),
        table=pieces["table"].astype("string"),
        reason=reason,
        merged_into=_addresses(np.where(is_merged, pieces["into"], -1), rows),
    )
    return pieces[["seq", *PIECE_COLUMNS]]


def _addresses(seq: np.ndarray, rows: pd.DataFrame) -> pd.Series:
    texts = pd.Series(nothing("string", len(seq)))
    at = np.flatnonzero(seq >= 0)
    parts = rows.iloc[seq[at].astype(np.int64)]
    joined = parts["file"].str.cat([parts["sheet"], parts["line"].astype("string")], sep="|")
    texts.iloc[at] = joined.to_numpy()
    return texts


def build_rows(pieces: pd.DataFrame, rows: pd.DataFrame) -> pd.DataFrame:
    """Return one line for each input row: kept if any piece is, else merged, else quarantined."""
    out, merged = pieces["reason"].notna().to_numpy(), pieces["merged_into"].notna().to_numpy()
    seq = pieces["seq"].to_numpy()
    order = np.lexsort((np.where(merged, 1, np.where(out, 2, 0)), seq))
    best = order[~pd.Series(seq[order]).duplicated().to_numpy()]
    place = np.full(len(rows), -1)
    place[seq[best]] = best
    whole = pd.DataFrame(
        {name: pieces[name].array.take(place, allow_fill=True) for name in ROW_COLUMNS[3:]}
    )
    whole = with_columns(whole, order=rows["order"].to_numpy())
    return with_address(with_columns(whole, seq=np.arange(len(rows))), rows)[
        [*ROW_COLUMNS, "order"]
    ]


def build_amendments(parts: list[pd.DataFrame], rows: pd.DataFrame) -> pd.DataFrame:
    """Return one line for each changed value; parts have ``seq`` and the ledger's columns."""
    return _book(parts, rows, AMENDMENT_COLUMNS)


def build_flags(
    parts: list[pd.DataFrame], rows: pd.DataFrame, *, further: tuple[str, ...] = ()
) -> pd.DataFrame:
    """Return one line for each fault; parts have ``seq`` (missing: no row) and its columns."""
    return _book(parts, rows, (*FLAG_COLUMNS, *further))


def with_order(frame: pd.DataFrame, rows: pd.DataFrame) -> pd.DataFrame:
    """Return the frame with the place of its ``seq`` among all exports in its stead."""
    order = rows["order"].to_numpy()[frame["seq"].to_numpy(dtype=np.int64)]
    return with_columns(frame.drop(columns="seq"), order=order)


def _book(parts: list[pd.DataFrame], rows: pd.DataFrame, columns: tuple[str, ...]) -> pd.DataFrame:
    kinds = {"line": "Int64", "on": "datetime64[s]", "mark": "UInt64"}
    filled = [_complete(part, rows, columns, kinds) for part in parts if len(part)]
    if not filled:
        return pd.DataFrame({n: pd.array([], dtype=kinds.get(n, "string")) for n in columns})
    return sort_book(pd.concat(filled, ignore_index=True))


def sort_book(book: pd.DataFrame) -> pd.DataFrame:
    """Return a book by file, sheet, line and rule; lines of no row stand last."""
    codes = [pd.factorize(book[name], sort=True)[0] for name in ("rule", *reversed(ADDRESS))]
    # What is missing has the code -1 and comes last.
    order = np.lexsort([np.where(code < 0, len(book), code) for code in codes])
    return book.iloc[order].reset_index(drop=True)


def _complete(
    part: pd.DataFrame, rows: pd.DataFrame, columns: tuple[str, ...], kinds: dict[str, str]
) -> pd.DataFrame:
    if "seq" in part:
        part = with_address(part, rows)
    n = len(part)
    held = {
        name: part[name].astype(kinds.get(name, "string")).array
        if name in part
        else nothing(kinds.get(name, "string"), n)
        for name in columns
    }
    return pd.DataFrame(held, copy=False)
