"""Canonical tables in an open description: Table Schema of Frictionless Data."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Any

from analytics.definitions.columns import Column

#: Kind of a column to its type in a Table Schema (specs.frictionlessdata.io/table-schema).
TYPES: dict[str, str] = {
    "text": "string",
    "code": "string",
    "flag": "boolean",
    "date": "date",
    "number": "number",
    "integer": "integer",
}


def table_schema(
    columns: Sequence[Column], *, key: Sequence[str] = (), further: Iterable[str] = ()
) -> dict[str, Any]:
    """Return the Table Schema of a table.

    Parameters
    ----------
    columns
        Its declared columns.
    key
        Columns that make a record the same record.
    further
        Columns of text that exports carry along.
    """
    carried = [{"name": name, "type": "string"} for name in further]
    schema: dict[str, Any] = {"fields": [*map(_field, columns), *carried]}
    return schema | ({"primaryKey": list(key)} if key else {})


def _field(column: Column) -> dict[str, Any]:
    constraints: dict[str, Any] = {"required": True} if column.required else {}
    if column.allowed:
        constraints["enum"] = list(column.allowed)
    if column.limits:
        constraints["minimum"], constraints["maximum"] = column.limits
    field: dict[str, Any] = {"name": column.name, "type": TYPES[column.kind]}
    if column.meaning:
        field["description"] = column.meaning
    if column.unit:
        field["unit"] = column.unit
    return field | ({"constraints": constraints} if constraints else {})
