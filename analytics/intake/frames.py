"""Frames as Parquet files and back, without a change of a value or a type."""

from __future__ import annotations

import os
from collections.abc import Sequence
from pathlib import Path

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq

#: Nullable pandas type to its Arrow type in a file.
ARROW_TYPES: dict[str, pa.DataType] = {
    "string": pa.string(),
    "boolean": pa.bool_(),
    "datetime64[s]": pa.date32(),
    "Float64": pa.float64(),
    "Int64": pa.int64(),
    "UInt64": pa.uint64(),
    "int64": pa.int64(),
    "int32": pa.int32(),
    "float64": pa.float64(),
}
_MASKED = {"Int64": "int64", "Float64": "float64", "UInt64": "uint64", "boolean": "bool"}
_KIND = b"pandas type"


def nothing(kind: str, n: int) -> pd.api.extensions.ExtensionArray:
    """Return a column of a nullable type in which every value is missing."""
    missing = np.ones(n, dtype=bool)
    if kind == "string":
        return pd.arrays.StringArray(np.full(n, pd.NA, dtype=object))
    if kind == "boolean":
        return pd.arrays.BooleanArray(np.zeros(n, dtype=bool), missing)
    if kind == "Float64":
        return pd.arrays.FloatingArray(np.zeros(n), missing)
    if kind == "Int64":
        return pd.arrays.IntegerArray(np.zeros(n, dtype=np.int64), missing)
    if kind == "UInt64":
        return pd.arrays.IntegerArray(np.zeros(n, dtype=np.uint64), missing)
    return pd.array(np.full(n, "NaT", dtype=kind))


def with_columns(frame: pd.DataFrame, **columns: object) -> pd.DataFrame:
    """Return the frame with further or other columns, as ``assign``, but without copying it."""
    held = frame.copy(deep=False)
    for name, column in columns.items():
        held[name] = column
    return held


def to_arrow(frame: pd.DataFrame, kinds: dict[str, str] | None = None) -> pa.Table:
    """Return a frame as an Arrow table; each field remembers its pandas type.

    Parameters
    ----------
    frame
        Columns of the types of ``ARROW_TYPES``; other ones of text become "string".
    kinds
        Types that stand above those of the frame.
    """
    fields, arrays = [], []
    for name in frame.columns:
        kind = (kinds or {}).get(name) or _kind_of(frame[name])
        fields.append(pa.field(name, ARROW_TYPES[kind], metadata={_KIND: kind.encode()}))
        arrays.append(_to_array(frame[name], kind))
    return pa.Table.from_arrays(arrays, schema=pa.schema(fields))


def _kind_of(column: pd.Series) -> str:
    kind = str(column.dtype)
    return kind if kind in ARROW_TYPES else "string"


def _to_array(column: pd.Series, kind: str) -> pa.Array:
    if kind == "datetime64[s]":
        return pa.array(column.to_numpy("datetime64[D]"), pa.date32(), from_pandas=True)
    return pa.array(column, ARROW_TYPES[kind], from_pandas=True)


def from_arrow(table: pa.Table) -> pd.DataFrame:
    """Return the frame that ``to_arrow`` was given."""
    columns = {}
    for field, column in zip(table.schema, table.columns, strict=True):
        kind = (field.metadata or {}).get(_KIND, b"string").decode()
        columns[field.name] = _from_array(column, kind)
    return pd.DataFrame(columns, index=pd.RangeIndex(table.num_rows), copy=False)


def _from_array(column: pa.ChunkedArray, kind: str) -> pd.api.extensions.ExtensionArray:
    if kind == "string":
        return _texts(column)
    if kind == "datetime64[s]":
        return pd.array(column.cast(pa.timestamp("s")).to_numpy(), dtype="datetime64[s]")
    if kind not in _MASKED:
        return column.to_numpy()
    missing = column.is_null().to_numpy().astype(bool)
    known = column.fill_null(False if kind == "boolean" else 0).to_numpy()
    held = known.astype(_MASKED[kind], copy=True)
    if kind == "boolean":
        return pd.arrays.BooleanArray(held, missing)
    return (pd.arrays.FloatingArray if kind == "Float64" else pd.arrays.IntegerArray)(held, missing)


def _texts(column: pa.ChunkedArray) -> pd.arrays.StringArray:
    if not pa.types.is_dictionary(column.type):
        column = column.dictionary_encode()
    held = column.unify_dictionaries().combine_chunks()
    if isinstance(held, pa.ChunkedArray):  # without a row there is no chunk
        return pd.array([], dtype="string")
    texts = np.append(held.dictionary.to_numpy(zero_copy_only=False), pd.NA)
    codes = held.indices.fill_null(len(texts) - 1).to_numpy()
    return pd.arrays.StringArray(texts[codes])


def stack_frames(parts: Sequence[pd.DataFrame]) -> pd.DataFrame:
    """Return frames under each other; a column that one of them lacks is missing there.

    A column has the type that it has in the first frame with a row in it.
    """
    if len(parts) == 1:
        return parts[0].reset_index(drop=True)
    names = dict.fromkeys(name for part in parts for name in part.columns)
    return pd.DataFrame({name: _stack_column(parts, name) for name in names}, copy=False)


def _stack_column(parts: Sequence[pd.DataFrame], name: str) -> pd.Series:
    kinds = [part[name].dtype for part in parts if name in part and len(part)]
    kind = kinds[0] if kinds else next(part[name].dtype for part in parts if name in part)
    columns = [
        part[name].astype(kind)
        if name in part
        else pd.Series(pd.array([pd.NA] * len(part), dtype=kind))
        for part in parts
    ]
    return pd.concat(columns, ignore_index=True)


def write_frame(path: Path, frame: pd.DataFrame, kinds: dict[str, str] | None = None) -> None:
    """Write a frame as one Parquet file."""
    pq.write_table(to_arrow(frame, kinds), path, compression="lz4", store_schema=True)


def read_frame(path: Path, columns: Sequence[str] | None = None) -> pd.DataFrame:
    """Return the frame of a Parquet file, or some of its columns."""
    return from_arrow(read_table(path, columns))


def read_table(path: Path, columns: Sequence[str] | None = None) -> pa.Table:
    """Return the Arrow table of a Parquet file; texts come as dictionaries."""
    texts = [f.name for f in pq.read_schema(path) if pa.types.is_string(f.type)]
    return pq.read_table(
        path, columns=None if columns is None else list(columns), read_dictionary=texts
    )


def write_groups(path: Path, groups: Sequence[pd.DataFrame]) -> None:
    """Write frames of the same columns as row groups of one Parquet file, to be read one by one."""
    tables = [to_arrow(group) for group in groups]
    with pq.ParquetWriter(path, tables[0].schema, compression="lz4") as writer:
        for table in tables:
            writer.write_table(table, row_group_size=max(table.num_rows, 1))


def read_group(path: Path, number: int) -> pd.DataFrame:
    """Return one of the frames that ``write_groups`` was given."""
    with pq.ParquetFile(path) as file:
        return from_arrow(file.read_row_group(number))


def move_in_place(made: Path, place: Path) -> None:
    """Give a finished folder its name; one that another process finished first stays."""
    try:
        os.replace(made, place)
    except OSError:
        if not place.is_dir():
            raise
