"""Exports of real life in ``tests/exports``: each folder has an export, its map, what is expected.

``case.toml`` has a title, the file, and where needed ``extracted_on``, ``started_on``, ``flags``
(the codes of all faults found) or ``error`` (what the one message says). ``rows.csv`` has the fate
of every row; ``visits.csv`` and ``children.csv`` the records, in the columns that matter.
"""

from __future__ import annotations

import csv
import tomllib
from datetime import date
from pathlib import Path

import pandas as pd
import pytest
from intake_tables import KEY

from analytics.errors import AnalyticsError
from analytics.intake.load import Programme, load
from analytics.intake.maps import read_map
from analytics.intake.records import Records

FOLDERS = sorted(path for path in (Path(__file__).parents[1] / "exports").iterdir())
SOUND = [path for path in FOLDERS if (path / "rows.csv").exists()]
REFUSED = [path for path in FOLDERS if not (path / "rows.csv").exists()]


def read_case(folder: Path) -> dict:
    return tomllib.loads((folder / "case.toml").read_text(encoding="utf-8"))


def load_case(folder: Path) -> Records:
    case = read_case(folder)
    programme = Programme(case.get("extracted_on", date(2024, 12, 31)),
                          started_on=case.get("started_on"))  # fmt: skip
    source = (folder / case["file"], read_map(folder / "map.toml"))
    return load([source], key=KEY, programme=programme)


def read_table(path: Path) -> list[dict[str, str]]:
    with path.open(encoding="utf-8", newline="") as file:
        return [*csv.DictReader(file)]


def coded_column(frame: pd.DataFrame, names: list[str]) -> list[dict[str, str]]:
    """Return rows as texts: dates as YYYY-MM-DD, whole numbers plain, missing empty."""
    texts = {name: [_text(value) for value in frame[name]] for name in names}
    return [dict(zip(texts, row, strict=True)) for row in zip(*texts.values(), strict=True)]


def _text(value: object) -> str:
    if pd.isna(value):
        return ""
    if isinstance(value, pd.Timestamp):
        return value.strftime("%Y-%m-%d")
    return f"{value:g}" if isinstance(value, float | int) else str(value)


def in_order(rows: list[dict[str, str]]) -> list[list[tuple[str, str]]]:
    return sorted(sorted(row.items()) for row in rows)


@pytest.mark.parametrize("folder", SOUND, ids=lambda path: path.name)
def test_every_row_has_the_fate_that_is_expected(folder):
    records = load_case(folder)
    expected = read_table(folder / "rows.csv")
    assert coded_column(records.ledger.rows, ["line", "fate", "reason"]) == expected
    case = read_case(folder)
    if "flags" in case:
        assert sorted(records.ledger.flags["rule"]) == sorted(case["flags"])


TABLES = [(folder, table) for folder in SOUND for table in ("visits", "children")
          if (folder / f"{table}.csv").exists()]  # fmt: skip


@pytest.mark.parametrize("folder, table", TABLES, ids=[f"{f.name} {t}" for f, t in TABLES])
def test_the_records_are_those_expected(folder, table):
    expected = read_table(folder / f"{table}.csv")
    found = coded_column(getattr(load_case(folder), table), list(expected[0]))
    assert in_order(found) == in_order(expected)


@pytest.mark.parametrize("folder", REFUSED, ids=lambda path: path.name)
def test_what_cannot_be_read_is_one_message(folder):
    with pytest.raises(AnalyticsError) as caught:
        load_case(folder)
    assert read_case(folder)["error"] in str(caught.value)
    assert caught.value.todo
    for name in ("Ada", "Lind", "Marsh"):
        assert name not in str(caught.value)
