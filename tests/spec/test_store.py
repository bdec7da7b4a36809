"""The store of records: one schema for each table, described openly, and nothing lost."""

from __future__ import annotations

import json

import pandas as pd
import pyarrow.dataset as ds
import pyarrow.parquet as pq
import pytest
from networks_drawn import as_one, draw_rows, write_exports

from analytics.courses.network import settle_network
from analytics.definitions.columns import KEYS, TABLES
from analytics.intake.engine import Engine
from analytics.reports.store import STORED, write_store


@pytest.fixture(scope="module")
def stored(tmp_path_factory):
    folder = tmp_path_factory.mktemp("store")
    exports = write_exports(folder, draw_rows(3, 9), ("ward",))
    with settle_network(exports, Engine("serial", part_bytes=1)) as network:
        write_store(network, folder / "records")
    return folder / "records", as_one(exports)


def read(folder, name):
    return ds.dataset(folder / name).to_table().to_pandas(types_mapper=None)


@pytest.mark.parametrize("name", sorted(STORED))
def test_all_parts_of_a_table_have_its_one_schema(stored, name):
    schemas = {str(pq.read_schema(path)) for path in (stored[0] / name).iterdir()}
    assert len(schemas) == 1


@pytest.mark.parametrize("name", sorted(KEYS))
def test_the_parts_of_a_table_hold_the_records_and_each_key_once(stored, name):
    frame, expected = read(stored[0], name), getattr(stored[1][0], name)
    key = list(KEYS[name])
    assert len(frame) == len(expected)
    assert not frame.duplicated(key).any()
    mine = frame.sort_values(key, ignore_index=True)[key].astype("string")
    its = expected.sort_values(key, ignore_index=True)[key].astype("string")
    pd.testing.assert_frame_equal(mine, its)


@pytest.mark.parametrize("book", ["rows", "pieces", "amendments", "flags"])
def test_the_ledger_is_in_it_whole(stored, book):
    assert len(read(stored[0], f"ledger_{book}")) == len(getattr(stored[1][0].ledger, book))


@pytest.mark.parametrize("name", sorted(STORED))
def test_a_table_schema_names_the_very_columns_of_the_files(stored, name):
    """Words of the Table Schema specification, version 1 (specs.frictionlessdata.io), from memory:
    fields with name and type, constraints with required, enum, minimum and maximum, primaryKey."""
    schema = json.loads((stored[0] / f"{name}.schema.json").read_text(encoding="utf-8"))
    path = next((stored[0] / name).iterdir())
    assert [field["name"] for field in schema["fields"]] == pq.read_schema(path).names
    types = {"string", "number", "integer", "boolean", "date"}
    assert {field["type"] for field in schema["fields"]} <= types
    assert set(schema) <= {"fields", "primaryKey"}
    if name in TABLES:
        assert schema["primaryKey"] == list(KEYS[name])


def test_a_child_is_in_one_part_alone(stored):
    parts = sorted((stored[0] / "visits").iterdir())
    children = [set(pq.read_table(path)["child"].to_pylist()) for path in parts]
    assert len(set.union(*children)) == sum(map(len, children))


def test_the_data_package_lists_every_file(stored):
    package = json.loads((stored[0] / "datapackage.json").read_text(encoding="utf-8"))
    listed = {path for resource in package["resources"] for path in resource["path"]}
    there = {str(p.relative_to(stored[0])) for p in stored[0].glob("*/*.parquet")}
    assert listed == there
