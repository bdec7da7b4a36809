"""The books of intake: fates of pieces and rows, amendments and flags, each with its address."""

from __future__ import annotations

import numpy as np
import pandas as pd

from analytics.intake.ledger import (
    AMENDMENT_COLUMNS,
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
    return frame.assign(**{name: rows[name].array.take(at) for name in ADDRESS})


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
    pieces = with_address(pieces.sort_values("seq", kind="stable", ignore_index=True), rows)
    is_out = pieces["reason"].notna().to_numpy()
    is_merged = ~is_out & (pieces["into"].to_numpy(dtype=np.int64) >= 0)
    fate = np.select([is_out, is_merged], ["quarantined", "merged"], "kept")
    reason = pieces["reason"].mask(is_merged, "duplicate")
    pieces = pieces.assign(
        fate=pd.array(fate, dtype="string"),
        table=pieces["table"].astype("string"),
        reason=reason,
        merged_into=_addresses(np.where(is_merged, pieces["into"], -1), rows),
    )
    return pieces[["seq", *PIECE_COLUMNS]]


def _addresses(seq: np.ndarray, rows: pd.DataFrame) -> pd.Series:
    texts = pd.Series(pd.array([pd.NA] * len(seq), dtype="string"))
    at = np.flatnonzero(seq >= 0)
    parts = rows.iloc[seq[at].astype(np.int64)]
    joined = parts["file"].str.cat([parts["sheet"], parts["line"].astype("string")], sep="|")
    texts.iloc[at] = joined.to_numpy()
    return texts


def build_rows(pieces: pd.DataFrame, rows: pd.DataFrame) -> pd.DataFrame:
    """Return one line for each input row: kept if any piece is, else merged, else quarantined."""
    rank = pieces["fate"].map({"kept": 0, "merged": 1, "quarantined": 2}).to_numpy(dtype=np.int64)
    order = np.lexsort((np.arange(len(pieces)), rank, pieces["seq"].to_numpy()))
    best = pieces.iloc[order].drop_duplicates("seq")
    whole = pd.DataFrame({"seq": np.arange(len(rows))}).merge(best, on="seq", how="left")
    return with_order(with_address(whole, rows), rows)[[*ROW_COLUMNS, "order"]]


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
    return frame.drop(columns="seq").assign(order=order)


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
    absent = [name for name in columns if name not in part]
    part = part.assign(**dict.fromkeys(absent, pd.NA))
    return part[list(columns)].astype({name: kinds.get(name, "string") for name in columns})
