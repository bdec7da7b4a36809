"""Frames as Arrow files and back, without a change of a value or a type."""

from __future__ import annotations

import os
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pyarrow as pa

from analytics.intake.texts import (
    coded_column,
    from_codes,
    plain_texts,
    repeat_text,
    stack_texts,
    used_codes,
)

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
_SECONDS_A_DAY = 86_400
_MASKED = {"Int64": "int64", "Float64": "float64", "UInt64": "uint64", "boolean": "bool"}
#: Under which a field of a file remembers its pandas type.
KIND = b"pandas type"
#: How files are written: every reader of Arrow files knows it.
PACKED = pa.ipc.IpcWriteOptions(compression="lz4")


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


#: Columns of equal length by name, arrays of numpy or pandas: what a frame is not worth making for.
Columns = Mapping[str, Any]


def with_columns(frame: pd.DataFrame, **columns: object) -> pd.DataFrame:
    """Return the frame with further or other columns, as ``assign``, but without copying it."""
    held = frame.copy(deep=False)
    for name, column in columns.items():
        held[name] = column
    return held


def take_places(frame: pd.DataFrame, at: np.ndarray) -> pd.DataFrame:
    """Return the rows of a frame at some places, numbered anew."""
    held = {name: frame[name].array.take(at) for name in frame.columns}
    return pd.DataFrame(held, index=pd.RangeIndex(len(at)), copy=False)


def to_arrow(
    frame: pd.DataFrame, kinds: dict[str, str] | None = None, *, coded: bool = False
) -> pa.Table:
    """Return a frame as an Arrow table; each field remembers its pandas type.

    Parameters
    ----------
    frame
        Columns of the types of ``ARROW_TYPES``; other ones of text, coded or not, become "string".
    kinds
        Types that stand above those of the frame.
    coded
        Whether texts become codes into their distinct values.
    """
    fields, arrays = [], []
    for name in frame.columns:
        kind = (kinds or {}).get(name) or _kind_of(frame[name])
        held = (
            _to_codes(frame[name]) if coded and kind == "string" else _to_array(frame[name], kind)
        )
        fields.append(pa.field(name, held.type, metadata={KIND: kind.encode()}))
        arrays.append(held)
    return pa.Table.from_arrays(arrays, schema=pa.schema(fields))


def _kind_of(column: pd.Series) -> str:
    kind = str(column.dtype)
    return kind if kind in ARROW_TYPES else "string"


def _to_array(column: pd.Series, kind: str) -> pa.Array:
    held = column.array
    if kind == "datetime64[s]":
        return _to_dates(column.to_numpy("datetime64[s]"))
    if isinstance(held, pd.Categorical):
        return pa.array(np.asarray(plain_texts(held)), pa.string(), from_pandas=True)
    if kind == "string" and isinstance(held, pd.arrays.StringArray):
        return pa.array(np.asarray(held), pa.string(), from_pandas=True)
    if kind in _MASKED and held.isna().all():
        return pa.nulls(len(held), ARROW_TYPES[kind])
    return pa.array(column, ARROW_TYPES[kind], from_pandas=True)


def _to_dates(seconds: np.ndarray) -> pa.Array:
    days = (seconds.view(np.int64) // _SECONDS_A_DAY).astype(np.int32)
    return _of_numbers(days, np.isnat(seconds), pa.date32())


def _to_codes(column: pd.Series) -> pa.Array:
    codes, distinct = used_codes(coded_column(column))
    indices = _of_numbers(codes.astype(np.int32), codes < 0, pa.int32())
    return pa.DictionaryArray.from_arrays(indices, pa.array(distinct, pa.string()))


def _of_numbers(numbers: np.ndarray, missing: np.ndarray, kind: pa.DataType) -> pa.Array:
    """Return numbers that are in the memory layout of an Arrow type, without copying them."""
    n_missing = int(np.count_nonzero(missing))
    known = np.packbits(~missing, bitorder="little") if n_missing else None
    buffers = [None if known is None else pa.py_buffer(known), pa.py_buffer(numbers)]
    return pa.Array.from_buffers(kind, len(numbers), buffers, n_missing)


def from_arrow(table: pa.Table, *, coded: bool = False) -> pd.DataFrame:
    """Return the frame that ``to_arrow`` was given.

    Parameters
    ----------
    table
        Columns that remember their pandas type.
    coded
        Whether texts become categories, which are told apart and picked in a fraction of the time.
    """
    columns = {}
    for field, column in zip(table.schema, table.columns, strict=True):
        kind = (field.metadata or {}).get(KIND, b"string").decode()
        is_coded = coded and kind == "string"
        columns[field.name] = _coded_texts(column) if is_coded else _from_array(column, kind)
    return pd.DataFrame(columns, index=pd.RangeIndex(table.num_rows), copy=False)


def read_codes(column: pa.ChunkedArray) -> tuple[np.ndarray, int]:
    """Return the places of texts among so many distinct ones; -1 is none; of one file's column."""
    held = _as_codes(column)
    if held is None:
        return np.empty(0, dtype=np.int64), 0
    return held.indices.fill_null(-1).to_numpy().astype(np.int64), len(held.dictionary)


def _from_array(column: pa.ChunkedArray, kind: str) -> pd.api.extensions.ExtensionArray:
    if kind == "string":
        return plain_texts(_coded_texts(column))
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


def _coded_texts(column: pa.ChunkedArray) -> pd.Categorical:
    held = _as_codes(column)
    if held is None:
        return repeat_text(None, 0)
    codes = held.indices.fill_null(-1).to_numpy()
    return from_codes(codes, held.dictionary.to_numpy(zero_copy_only=False))


def _as_codes(column: pa.ChunkedArray) -> pa.DictionaryArray | None:
    """Return texts as codes into their distinct values; nothing where there is no row."""
    if not pa.types.is_dictionary(column.type):
        column = column.dictionary_encode()
    held = column.unify_dictionaries().combine_chunks()
    # Without a row there is no chunk.
    return None if isinstance(held, pa.ChunkedArray) else held


def stack_frames(parts: Sequence[pd.DataFrame]) -> pd.DataFrame:
    """Return frames under each other; a column that one of them lacks is missing there.

    A column has the type that it has in the first frame with a row in it; texts are coded where
    those of any frame are.
    """
    if len(parts) == 1:
        return parts[0].reset_index(drop=True)
    names = dict.fromkeys(name for part in parts for name in part.columns)
    return pd.DataFrame({name: _stack_column(parts, name) for name in names}, copy=False)


def _stack_column(parts: Sequence[pd.DataFrame], name: str) -> pd.Series:
    if any(name in part and part[name].dtype == "category" for part in parts):
        return pd.Series(
            stack_texts(
                [
                    coded_column(part[name]) if name in part else repeat_text(None, len(part))
                    for part in parts
                ]
            )
        )
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
    """Write a frame as one file."""
    table = to_arrow(frame, kinds, coded=True)
    with pa.ipc.new_file(str(path), table.schema, options=PACKED) as writer:
        writer.write_table(table)


def read_frame(path: Path, columns: Sequence[str] | None = None) -> pd.DataFrame:
    """Return the frame of a file, or some of its columns."""
    return from_arrow(read_table(path, columns))


def read_table(path: Path, columns: Sequence[str] | None = None) -> pa.Table:
    """Return a frame of a file, or some of its columns, as Arrow table; texts are dictionaries."""
    if columns is None:
        with pa.OSFile(str(path)) as file:
            return pa.ipc.open_file(file).read_all()
    names = read_names(path)
    wanted = pa.ipc.IpcReadOptions(included_fields=[names.index(name) for name in columns])
    with pa.OSFile(str(path)) as file:
        return pa.ipc.open_file(file, options=wanted).read_all().select(list(columns))


def read_names(path: Path) -> list[str]:
    """Return the names of the columns of a file."""
    with pa.OSFile(str(path)) as file:
        return list(pa.ipc.open_file(file).schema.names)


def move_in_place(made: Path, place: Path) -> None:
    """Give a finished folder its name; one that another process finished first stays."""
    try:
        os.replace(made, place)
    except OSError:
        if not place.is_dir():
            raise
