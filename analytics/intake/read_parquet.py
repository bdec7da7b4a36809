"""Parquet: columns keep their dates and fractions; the line of a row is its number."""

from __future__ import annotations

import io

import numpy as np
import pyarrow as pa
import pyarrow.parquet as parquet

from analytics.errors import AnalyticsError, ExportFileError
from analytics.intake.map_types import FileSettings
from analytics.intake.read_types import RawTable
from analytics.intake.read_workbook import plain_cell
from analytics.intake.texts import categorise

#: Most cells of one file; a larger register is split into several files.
MOST_CELLS = 30_000_000


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
        When the bytes are no Parquet file, a column holds lists or the like, or it claims
        more cells than a register can have.
    """
    del settings
    try:
        table = _read_table(content, file)
        names = [*table.column_names]
        held = [column.to_pylist() for column in table]
    except AnalyticsError:
        raise
    except (pa.ArrowException, OSError, ValueError, OverflowError) as error:
        raise ExportFileError(
            f"the file is not a Parquet file that can be read: {str(error).splitlines()[0]}",
            where=file,
            allowed="a flat table in the Parquet format",
            todo="export it again",
        ) from error
    columns = [categorise([_cell(value) for value in column]) for column in held]
    n = table.num_rows
    return RawTable("", names, columns, 1 + np.arange(n), np.zeros(n, dtype=bool))


def _read_table(content: bytes, file: str) -> pa.Table:
    """Return the table, once its description is known to be flat and of a size to be believed."""
    opened = parquet.ParquetFile(io.BytesIO(content))
    for field in opened.schema_arrow:
        if pa.types.is_nested(field.type) or pa.types.is_binary(field.type):
            raise ExportFileError(
                f"the column '{field.name}' holds {field.type}",
                where=file,
                allowed="texts, numbers, dates, and true or false",
                todo="leave the column out of the export",
            )
    n_cells = opened.metadata.num_rows * len(opened.schema_arrow)
    # Repeated values pack so well that a few bytes can claim any number of rows.
    if n_cells > MOST_CELLS:
        raise ExportFileError(
            f"the file claims {n_cells:,} cells",
            where=file,
            allowed=f"up to {MOST_CELLS:,}",
            todo="split it",
        )
    return opened.read()


def _cell(value: object) -> object:
    return "" if value is None else plain_cell(value)
