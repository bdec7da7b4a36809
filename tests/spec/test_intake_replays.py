"""The same export again, or a later full one: nothing changes that did not change."""

from __future__ import annotations

from datetime import date, timedelta
from pathlib import Path

import pandas as pd
from intake_tables import BORN, KEY, MAP, two_children, write_csv

from analytics.intake.load import Programme, load
from analytics.intake.map_parse import parse_map
from analytics.intake.records import Records

TABLES = ("clinics", "children", "feet", "visits", "departures")
ADDRESS = ["file", "sheet", "line"]


def spoilt() -> list[dict[str, str]]:
    """Two children with faults of many kinds: hard and soft, in cells and in the course."""
    rows = two_children()
    rows[1]["pirani_total"] = "9"
    rows[3]["visited_on"] = "soon"
    rows[5]["side"] = ""
    rows[8]["brace_hours"] = "30"
    rows[30]["sex"] = "male"
    rows[31]["visited_on"] = str(BORN + timedelta(days=900))
    rows[40]["abduction_deg"] = "400"
    return rows


def load_all(*paths: Path, key: str = KEY) -> Records:
    source_map = parse_map(MAP, where="plain.toml")
    return load([(path, source_map) for path in paths], key=key,
                programme=Programme(date(2024, 6, 15), started_on=date(2010, 1, 1)))  # fmt: skip


def assert_same(one: pd.DataFrame, other: pd.DataFrame) -> None:
    pd.testing.assert_frame_equal(one.reset_index(drop=True), other.reset_index(drop=True))


def test_the_same_export_again_changes_no_record_and_no_fate_of_the_first(tmp_path):
    first = write_csv(tmp_path / "first.csv", spoilt())
    again = write_csv(tmp_path / "again.csv", spoilt())
    alone, both = load_all(first), load_all(first, again)
    assert set(alone.ledger.rows["fate"]) == {"kept", "quarantined"}
    for name in TABLES:
        assert_same(getattr(alone, name), getattr(both, name))
    for book in ("rows", "pieces", "flags", "amendments"):
        told = getattr(both.ledger, book)
        assert_same(getattr(alone.ledger, book), told[told["file"] == "first.csv"])
    fates = both.ledger.rows[both.ledger.rows["file"] == "again.csv"]["fate"].tolist()
    assert fates == ["merged" if fate == "kept" else "quarantined"
                     for fate in alone.ledger.rows["fate"]]  # fmt: skip


def test_of_a_later_full_export_named_first_only_what_is_new_or_corrected_changes(tmp_path):
    first = write_csv(tmp_path / "march.csv", two_children())
    later = two_children()
    old = float(later[12]["abduction_deg"])
    later[12]["abduction_deg"] = "15"
    new = dict(later[23], visited_on=str(BORN + timedelta(days=160)), purpose="review")
    newer = write_csv(tmp_path / "june.csv", [*later, new])
    before, after = load_all(first), load_all(newer, first)
    key = ["child", "side", "visited_on", "purpose"]
    left, right = (r.visits.drop(columns=ADDRESS).set_index(key) for r in (before, after))
    gained = right.index.difference(left.index)
    assert len(gained) == 1
    changed = left.compare(right.drop(index=gained).loc[left.index])
    assert changed.shape == (1, 2)
    assert changed[("abduction_deg", "other")].tolist() == [15]
    for name in ("clinics", "children", "feet", "departures"):
        assert_same(getattr(before, name), getattr(after, name))
    assert after.ledger.rows.groupby("file")["fate"].unique().map(set).to_dict() == {
        "june.csv": {"kept"},
        "march.csv": {"merged"},
    }
    told = after.ledger.flags[after.ledger.flags["rule"] == "conflict"]
    assert told["found"].tolist() == [f"abduction_deg=15.0 / {old}"]


def test_pseudonyms_are_the_same_for_the_same_key_and_share_nothing_with_another(tmp_path):
    path = write_csv(tmp_path / "first.csv", two_children())
    moved = write_csv(tmp_path / "other_name.csv", [*reversed(two_children())])
    one, again = load_all(path), load_all(moved)
    other = load_all(path, key="another key for tests alone")
    assert set(one.children["child"]) == set(again.children["child"])
    assert not set(one.children["child"]) & set(other.children["child"])
