"""Parquet: columns keep their dates and fractions; the line of a row is its number."""

from __future__ import annotations

import io

import numpy as np
import pyarrow as pa
import pyarrow.parquet as parquet

from analytics.errors import ExportFileError
from analytics.intake.map_types import FileSettings
from analytics.intake.read_types import RawTable, categorise
from analytics.intake.read_workbook import plain_cell


def read_parquet_file(content: bytes, settings: FileSettings, file: str) -> RawTable:
    """Return the table of a Parquet file.

    Parameters
    ----------
    content
        Bytes of the file.
    settings
        Not used: a Parquet file says all about itself.
    file
        Name of the file, for messages.

    Raises
    ------
    ExportFileError
        When the bytes are no Parquet file, or a column holds lists or the like.
    """
    del settings
    try:
        table = parquet.read_table(io.BytesIO(content))
    except (pa.ArrowInvalid, OSError) as error:
        raise ExportFileError(
            f"the file is not a Parquet file that can be read: {str(error).splitlines()[0]}",
            where=file,
            allowed="a flat table in the Parquet format",
            todo="export it again",
        ) from error
    for field in table.schema:
        if pa.types.is_nested(field.type) or pa.types.is_binary(field.type):
            raise ExportFileError(
                f"the column '{field.name}' holds {field.type}",
                where=file,
                allowed="texts, numbers, dates, and true or false",
                todo="leave the column out of the export",
            )
    columns = [categorise([_cell(value) for value in column.to_pylist()]) for column in table]
    n = table.num_rows
    return RawTable("", [*table.column_names], columns, 1 + np.arange(n), np.zeros(n, dtype=bool))


def _cell(value: object) -> object:
    return "" if value is None else plain_cell(value)
