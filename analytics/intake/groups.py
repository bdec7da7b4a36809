"""Frames in groups of rows as one file, and one group of many such files as frames again."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path

import numpy as np
import pandas as pd
import pyarrow as pa

from analytics.intake.frames import PACKED, from_arrow, to_arrow

#: Files whose groups are put together at a time, so that few small pieces are held.
AT_ONCE = 64


def write_groups(
    path: Path, frames: Mapping[str, pd.DataFrame], ends: Mapping[str, np.ndarray]
) -> None:
    """Write frames as one file from which a group of rows of each can be read by itself.

    Parameters
    ----------
    path
        File to write: a batch for each group, in it a list of rows for each frame.
    frames
        Frames by name, the rows of a group together.
    ends
        Name to where each group begins, and where the last one ends (n + 1 places for n groups).
    """
    # Texts are written as they are: codes would need those of all groups to read one.
    lists = [
        pa.ListArray.from_arrays(pa.array(ends[name], pa.int32()), _as_struct(to_arrow(frame)))
        for name, frame in frames.items()
    ]
    batch = pa.RecordBatch.from_arrays(lists, names=[*frames])
    with pa.ipc.new_file(str(path), batch.schema, options=PACKED) as writer:
        for group in range(batch.num_rows):
            writer.write_batch(batch.slice(group, 1))


def _as_struct(table: pa.Table) -> pa.StructArray:
    return pa.StructArray.from_arrays(
        [column.combine_chunks() for column in table.columns], fields=list(table.schema)
    )


def read_groups(paths: Sequence[Path], number: int) -> dict[str, tuple[pd.DataFrame, np.ndarray]]:
    """Return the rows that files have in one group.

    Parameters
    ----------
    paths
        Files of ``write_groups``, with frames of the same names.
    number
        Place of the group.

    Returns
    -------
    dict
        Name to the frame of all files, texts coded, those of the first file first, and how many
        rows are of each file. A column that a file lacks is missing there; its type is that of
        the first file with a row in it.
    """
    tables: dict[str, list[pa.Table]] = {}
    sizes: dict[str, list[int]] = {}
    for begin in range(0, len(paths), AT_ONCE):
        read = [_read_group(path, number) for path in paths[begin : begin + AT_ONCE]]
        for name in read[0]:
            own = [group[name] for group in read]
            sizes.setdefault(name, []).extend(table.num_rows for table in own)
            tables.setdefault(name, []).append(stack_groups(own).combine_chunks())
    return {
        name: (from_arrow(stack_groups(own), coded=True), np.array(sizes[name]))
        for name, own in tables.items()
    }


def _read_group(path: Path, number: int) -> dict[str, pa.Table]:
    with pa.OSFile(str(path)) as file:
        batch = pa.ipc.open_file(file).get_batch(number)
    return {
        field.name: pa.Table.from_struct_array(column.flatten())
        for field, column in zip(batch.schema, batch.columns, strict=True)
    }


def stack_groups(tables: Sequence[pa.Table]) -> pa.Table:
    """Return tables under each other; see ``read_groups`` for columns that differ."""
    names = dict.fromkeys(name for table in tables for name in table.column_names)
    fields: dict[str, pa.Field] = {}
    filled = [table for table in tables if table.num_rows]
    for table in (*filled, *tables):
        for field in table.schema:
            fields.setdefault(field.name, field)
    schema = pa.schema([fields[name] for name in names])
    fitted = [fit_table(table, schema) for table in filled]
    return pa.concat_tables(fitted or [schema.empty_table()])


def fit_table(table: pa.Table, schema: pa.Schema) -> pa.Table:
    """Return a table in the columns and types of a schema; a column that it lacks is missing."""
    if table.schema.equals(schema, check_metadata=True):
        return table
    columns = [
        table[field.name].cast(field.type)
        if field.name in table.column_names
        else pa.nulls(table.num_rows, field.type)
        for field in schema
    ]
    return pa.Table.from_arrays(columns, schema=schema)
