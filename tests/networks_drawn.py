"""Small networks of several exports, with moved children and planted faults."""

from __future__ import annotations

from dataclasses import fields
from datetime import date, timedelta
from pathlib import Path

import pandas as pd
from intake_tables import HEADINGS, KEY, MAP, child_rows, write_csv

from analytics.courses.build import build_cohort
from analytics.courses.cohort import Cohort
from analytics.courses.network import Exports, settle_network
from analytics.courses.together import Parts, gather_cohort, gather_records
from analytics.definitions.protocol import Protocol
from analytics.intake.engine import Engine
from analytics.intake.kept import Folder
from analytics.intake.load import Programme, load
from analytics.intake.map_parse import parse_map
from analytics.intake.records import Records

CUT_OFF = date(2024, 6, 15)


def draw_rows(n_clinics: int, n_children: int) -> list[list[dict[str, str]]]:
    """Rows by clinic: every third child moves on at its tenth row, and comes back for the last.

    Children 0 and 4 have one name and birth date: one child under two numbers, perhaps.
    """
    clinics: list[list[dict[str, str]]] = [[] for _ in range(n_clinics)]
    for number in range(n_children):
        born = date(2024, 1, 1) + timedelta(days=number % 4)
        rows = child_rows(str(number), f"Person {number % 4}", born=born)
        home, other = number % n_clinics, (number + 1) % n_clinics
        for place, row in enumerate(rows):
            moved = number % 3 == 0 and 10 <= place < len(rows) - 1
            at = other if moved else home
            clinics[at].append({**row, "clinic": f"N{at:02d}"})
    return clinics


def write_exports(
    folder: Path, clinics: list[list[dict[str, str]]], extras: tuple[str, ...] = ()
) -> Exports:
    """The exports of clinics; every second one carries a column of its own along."""
    sources = []
    for number, rows in enumerate(clinics):
        tree = {**MAP, "columns": {k: dict(v) for k, v in MAP["columns"].items()}}  # type: ignore[attr-defined]
        headings = HEADINGS
        for name in extras if number % 2 else ():
            tree["columns"]["children"][f"extra_{name}"] = name
            headings = (*headings, name)
            rows = [{**row, name: f"{name}{number}"} for row in rows]
        path = write_csv(folder / f"clinic{number}.csv", rows, headings)
        sources.append((path, parse_map(tree, where="plain.toml")))
    programme = Programme(CUT_OFF, started_on=date(2010, 1, 1))
    return Exports(sources, KEY, programme, CUT_OFF)


def as_one(exports: Exports) -> tuple[Records, Cohort]:
    """Records and cohort in one go, without parts."""
    records = load(exports.sources, key=exports.key, programme=exports.programme)
    return records, build_cohort(records, exports.cut_off, Protocol())


def in_parts(exports: Exports, engine: Engine) -> tuple[Records, Cohort]:
    """Records and cohort part by part."""
    with settle_network(exports, engine) as network:
        each = tuple(map(Folder, network.parts))
        parts = Parts(each, network.sources, exports.programme, exports.cut_off)
        return gather_records(parts), gather_cohort(parts)


def assert_same(one: tuple[Records, Cohort], other: tuple[Records, Cohort]) -> None:
    """Every frame is the same, to the last value, type and place."""
    for mine, its in zip(one, other, strict=True):
        _assert_same_frames(mine, its)
    _assert_same_frames(one[0].ledger, other[0].ledger)
    _assert_same_frames(one[1].totals, other[1].totals)
    assert one[1].totals.n_children == other[1].totals.n_children
    assert one[0].sources == other[0].sources


def _assert_same_frames(mine: object, its: object) -> None:
    for field in fields(mine):  # type: ignore[arg-type]
        frame = getattr(mine, field.name)
        if isinstance(frame, pd.DataFrame):
            pd.testing.assert_frame_equal(frame, getattr(its, field.name), obj=field.name)
