"""The same network written in five shapes and three languages is the same cohort."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import pandas as pd
import pytest
from demo import demo
from written_exports import WRITERS

from analytics.courses.build import build_cohort, build_visits
from analytics.definitions.protocol import Protocol
from analytics.intake.identity import check_key, key_texts
from analytics.intake.load import Programme, load
from analytics.intake.records import Records
from analytics.intake.texts import categorise

KEY = "a key of the round trip"


@cache
def given() -> Records:
    """The demo's records; a foot that was never seen has no row in most shapes."""
    records = demo().records
    seen = records.visits[["child", "side"]].drop_duplicates()
    return replace(records, feet=records.feet.merge(seen, on=["child", "side"]))


def rekeyed(frame: pd.DataFrame) -> pd.DataFrame:
    """The children under the pseudonyms that a second intake gives them."""
    known = pd.Series(given().children["child"].astype(object))
    keyed = key_texts([categorise(known)], check_key(KEY), purpose="child")
    names = dict(zip(known, keyed, strict=True))
    return in_order(frame.assign(child=frame["child"].map(names).astype("string")))


def in_order(frame: pd.DataFrame) -> pd.DataFrame:
    keys = [name for name in ("child", "side", "visited_on", "purpose") if name in frame]
    return frame.sort_values(keys, ignore_index=True)


def tables_of(records: Records) -> dict[str, pd.DataFrame]:
    told = records, demo().settings.cut_off, Protocol()
    return {
        "feet": build_cohort(*told).feet,
        "visits": build_visits(*told),
        "children": records.children,
        "departures": records.departures,
    }


@cache
def expected() -> dict[str, pd.DataFrame]:
    return {name: rekeyed(table) for name, table in tables_of(given()).items()}


@pytest.mark.parametrize("shape", WRITERS)
def test_every_shape_gives_the_cohort_of_the_network(shape, tmp_path):
    cut_off = demo().settings.cut_off
    programme = Programme(cut_off, clinics=given().clinics, started_on=demo().settings.started_on)
    records = load(WRITERS[shape](given(), tmp_path), key=KEY, programme=programme)
    records.ledger.balance()
    assert not (records.ledger.rows["fate"] == "quarantined").any()
    for name, told in tables_of(records).items():
        known = expected()[name]
        kept = [column for column in known if column not in ("file", "sheet", "line")]
        assert len(told) > 100
        pd.testing.assert_frame_equal(in_order(told)[kept], known[kept])
