"""Records, ledger and feet as open files, in parts of whole children.

Each table is a folder of Parquet files of one Arrow schema, with its Table Schema beside it; a
``datapackage.json`` (Frictionless Data Package) lists them all. No more than a part is in memory.
"""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq

from analytics.courses.network import Exports, Network, settle_network
from analytics.definitions.columns import EXTRA_PREFIX, KEYS, TABLES, Column
from analytics.definitions.foot_facts import FOOT
from analytics.definitions.table_schema import table_schema
from analytics.intake.canonical import shape_table
from analytics.intake.check_clinics import COUNTS, add_counts
from analytics.intake.close import tell_of_all
from analytics.intake.engine import Engine
from analytics.intake.frames import ARROW_TYPES, read_frame, read_names, stack_frames, to_arrow
from analytics.intake.groups import fit_table
from analytics.intake.ledger import (
    AMENDMENT_COLUMNS,
    FLAG_COLUMNS,
    PIECE_COLUMNS,
    ROW_COLUMNS,
)
from analytics.reports.folder import PROVENANCE, check_replaceable, hash_files, replacing

_KINDS = {"line": "integer", "on": "date"}
_ADDRESS = tuple(Column(n, _KINDS.get(n, "text"), "") for n in ("file", "sheet", "line"))


def _book(names: tuple[str, ...]) -> tuple[Column, ...]:
    return tuple(Column(name, _KINDS.get(name, "text"), "") for name in names)


#: Table of the store to its file in a settled part, its columns and its key.
STORED: dict[str, tuple[str, tuple[Column, ...], tuple[str, ...]]] = {
    **{name: (name, columns, KEYS[name]) for name, columns in TABLES.items()},
    "visits": ("visits", (*TABLES["visits"], *_ADDRESS), KEYS["visits"]),
    "cohort": ("cohort", FOOT, ("child", "side")),
    "ledger_rows": ("book_rows", _book(ROW_COLUMNS), ()),
    "ledger_pieces": ("book_pieces", _book(PIECE_COLUMNS), ()),
    "ledger_amendments": ("book_amendments", _book(AMENDMENT_COLUMNS), ()),
    "ledger_flags": ("book_flags", _book(FLAG_COLUMNS), ()),
}


def settle_and_store(exports: Exports, engine: Engine, folder: Path) -> None:
    """Write the records of exports in place of what the folder held, part by part."""
    check_replaceable(folder)
    with settle_network(exports, engine) as network:
        write_store(network, folder)


def write_store(network: Network, folder: Path) -> None:
    """Write a network's records in place of what the folder held.

    Parameters
    ----------
    network
        Settled parts.
    folder
        Folder to write; it takes its name when all is written.

    Raises
    ------
    OutputError
        When it cannot be written.
    """
    with replacing(folder) as made:
        resources = [_write_table(network, made, name) for name in STORED]
        package = {"name": "talipes-records", "resources": resources}
        text = json.dumps(package, ensure_ascii=False, indent=1)
        (made / "datapackage.json").write_text(text + "\n", encoding="utf-8")
        told = json.dumps({"files": hash_files(made)}, indent=1)
        (made / PROVENANCE).write_text(told + "\n", encoding="utf-8")


def _write_table(network: Network, folder: Path, name: str) -> dict[str, Any]:
    file, columns, key = STORED[name]
    extras = _extras(network, file)
    schema = arrow_schema(columns, extras)
    (folder / name).mkdir()
    paths = []
    for number, frame in enumerate(_frames(network, name), start=1):
        path = folder / name / f"part-{number:05d}.parquet"
        pq.write_table(fit_table(to_arrow(frame), schema), path, compression="zstd")
        paths.append(f"{name}/{path.name}")
    described = table_schema(columns, key=key, further=extras)
    text = json.dumps(described, ensure_ascii=False, indent=1)
    (folder / f"{name}.schema.json").write_text(text + "\n", encoding="utf-8")
    return {"name": name, "path": paths, "format": "parquet", "schema": f"{name}.schema.json"}


def arrow_schema(columns: tuple[Column, ...], extras: tuple[str, ...] = ()) -> pa.Schema:
    """Return the one Arrow schema of a table: its declared columns, then carried ones as text."""
    fields = [pa.field(column.name, ARROW_TYPES[column.dtype]) for column in columns]
    return pa.schema([*fields, *(pa.field(name, pa.string()) for name in extras)])


def _extras(network: Network, file: str) -> tuple[str, ...]:
    names = {name for part in network.parts for name in read_names(part / f"{file}.arrow")}
    return tuple(sorted(name for name in names if name.startswith(EXTRA_PREFIX)))


def _frames(network: Network, name: str) -> Iterator[pd.DataFrame]:
    work, file = network.work, STORED[name][0]
    if name == "clinics":
        told = work.clinics
        if told is None:
            told = stack_frames([read_frame(p / "clinics.arrow") for p in network.parts])
        yield shape_table(told.drop_duplicates("clinic"), "clinics")
        return
    for part in network.parts:
        yield read_frame(part / f"{file}.arrow")
    if name == "ledger_flags":
        yield _flags_of_all(network)


def _flags_of_all(network: Network) -> pd.DataFrame:
    """Return the flags that take all children to tell: doubles, and questions to clinics."""
    doubles = stack_frames([read_frame(part / "doubles.arrow") for part in network.parts])
    counts = [
        {name: read_frame(part / f"count_{name}.arrow") for name in COUNTS}
        for part in network.parts
    ]
    return tell_of_all(doubles, add_counts(counts), network.work.door.corrections)[0]
