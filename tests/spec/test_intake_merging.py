"""Repeated submissions, split rows, lines of totals: every row has one fate."""

from __future__ import annotations

import copy
from datetime import date
from pathlib import Path

import pandas as pd
import pytest
from intake_tables import HEADINGS, KEY, MAP, load_rows, two_children, write_csv

from analytics.errors import BalanceError, ExportFileError
from analytics.intake.ledger import Ledger
from analytics.intake.load import Programme, load
from analytics.intake.map_parse import parse_map


def load_files(files: list[tuple[Path, dict]]):
    maps = [(path, parse_map(tree, where="plain.toml")) for path, tree in files]
    return load(maps, key=KEY, programme=Programme(date(2024, 6, 15)))


def test_a_repeated_row_merges_into_the_first(tmp_path: Path):
    rows = two_children()
    records = load_rows(tmp_path, [*rows, rows[3]])
    fates = records.ledger.rows.set_index("line")
    assert fates.loc[50, "fate"] == "merged"
    assert fates.loc[50, "reason"] == "duplicate"
    assert fates.loc[50, "merged_into"] == "export.csv||5"
    assert len(records.visits) == 48
    assert records.ledger.flags.empty
    assert records.ledger.balance()[["n_read", "n_kept", "n_merged", "n_quarantined"]].to_numpy(
    ).tolist() == [[49, 48, 1, 0]]  # fmt: skip


def test_a_repeated_row_fills_a_gap_and_says_so(tmp_path: Path):
    rows = two_children()
    again = rows[7] | {}
    rows[7]["abduction_deg"] = ""
    records = load_rows(tmp_path, [*rows, again])
    line = records.visits[(records.visits["line"] == 9)]
    assert line["abduction_deg"].tolist() == [70]
    told = records.ledger.amendments
    assert told[["line", "column", "after", "rule"]].to_numpy().tolist() == [
        [9, "abduction_deg", "70.0", "duplicate"]
    ]


def test_values_that_differ_under_one_key_are_told_and_the_first_stands(tmp_path: Path):
    rows = two_children()
    records = load_rows(tmp_path, [*rows, rows[7] | {"abduction_deg": "60"}])
    assert records.visits.loc[records.visits["line"] == 9, "abduction_deg"].tolist() == [70]
    flag = records.ledger.flags.iloc[0]
    assert flag[["rule", "line"]].tolist() == ["conflict", 9]
    assert flag["found"] == "abduction_deg=70.0 / 60.0"


def test_a_sound_repetition_stands_for_a_faulty_first_row(tmp_path: Path):
    rows = two_children()
    sound = rows[7] | {}
    rows[7]["pirani_total"] = "7"
    records = load_rows(tmp_path, [*rows, sound])
    fates = records.ledger.rows.set_index("line")["fate"]
    assert fates[9] == "quarantined"
    assert fates[50] == "kept"
    assert len(records.visits) == 48


def test_a_row_merged_into_one_that_a_course_rule_sets_aside_goes_with_it(tmp_path: Path):
    rows = two_children()
    rows[5]["visited_on"] = "2024-01-02"
    ledger = load_rows(tmp_path, [*rows, rows[5]]).ledger
    assert ledger.rows.set_index("line")["fate"][[7, 50]].tolist() == ["quarantined"] * 2


def test_a_row_that_says_both_feet_gives_two_visits(tmp_path: Path):
    rows = [row | {"side": "both"} for row in two_children() if row["side"] == "left"]
    records = load_rows(tmp_path, rows)
    assert len(records.ledger.rows) == 24
    assert len(records.visits) == 48
    alone = load_rows(tmp_path, two_children())
    same = [name for name in records.visits if name not in ("line",)]
    pd.testing.assert_frame_equal(records.visits[same], alone.visits[same])


def test_left_and_right_as_columns_give_the_same_visits(tmp_path: Path):
    tree = copy.deepcopy(MAP)
    sided = ("pirani_midfoot", "pirani_hindfoot", "pirani_total", "abduction_deg")
    for name in sided:
        tree["columns"]["visits"][name] = f"{name} {{side}}"
    tree["sides"] = {"left": "L", "right": "R"}
    headings = [h for h in HEADINGS if h not in sided]
    headings += [f"{name} {side}" for name in sided for side in "LR"]
    wide = []
    for row in two_children():
        if row["side"] == "left":
            values = {f"{name} {side}": row[name] for name in sided for side in "LR"}
            wide.append({h: row.get(h, "") for h in headings} | values | {"side": "both"})
    write_csv(tmp_path / "sided.csv", wide, tuple(headings))
    records = load_files([(tmp_path / "sided.csv", tree)])
    alone = load_rows(tmp_path, two_children())
    same = [name for name in records.visits if name not in ("file", "line")]
    pd.testing.assert_frame_equal(records.visits[same], alone.visits[same])


def test_lines_of_totals_and_ragged_lines_are_set_aside(tmp_path: Path):
    path = write_csv(tmp_path / "export.csv", two_children())
    total = "Total," * 1 + "," * (len(HEADINGS) - 2)
    path.write_text(path.read_text() + total + "\n1,2,3\n\n")
    tree = MAP | {"file": {"total_rows": ["total"]}}
    ledger = load_files([(path, tree)]).ledger
    fates = ledger.rows.set_index("line")
    assert fates.loc[[50, 51], "reason"].tolist() == ["total_row", "ragged_row"]
    assert fates.loc[[50, 51], "fate"].tolist() == ["quarantined"] * 2
    assert len(fates) == 50
    assert set(ledger.flags["rule"]) == {"total_row", "ragged_row"}


def test_line_numbers_hold_across_quoted_line_ends_and_blank_lines(tmp_path: Path):
    rows = two_children()
    rows[0]["name"] = "Ama\nOwusu"
    path = write_csv(tmp_path / "export.csv", rows)
    text = path.read_text().splitlines(keepends=True)
    path.write_text("".join([*text[:4], "\n", *text[4:]]))
    records = load_files([(path, MAP)])
    assert records.ledger.rows["line"].tolist()[:5] == [2, 4, 6, 7, 8]


def test_one_child_sent_in_two_files_is_one_child(tmp_path: Path):
    rows = two_children()
    first = write_csv(tmp_path / "a.csv", rows[:20])
    second = write_csv(tmp_path / "b.csv", rows[20:])
    records = load_files([(first, MAP), (second, MAP)])
    assert len(records.children) == 2
    assert len(records.visits) == 48
    assert [source.n_rows for source in records.sources] == [20, 28]


def test_children_and_visits_in_two_files_are_joined_by_their_number(tmp_path: Path):
    of_child = ("number", "name", "phone", "affected", "sex", "birth_on", "diagnosis",
                "prior_treatment", "clinic")  # fmt: skip
    rows = two_children()
    first_of_each = [{h: row[h] for h in of_child} for row in rows[::24]]
    write_csv(tmp_path / "children.csv", first_of_each, of_child)
    of_visit = tuple(h for h in HEADINGS if h not in of_child[1:-1])
    write_csv(tmp_path / "visits.csv", [{h: r[h] for h in of_visit} for r in rows], of_visit)
    columns = MAP["columns"]
    tables = {"children": columns["children"] | {"clinic": "clinic"}, "feet": columns["feet"]}
    child_map = MAP | {"columns": tables}
    tables = {name: columns[name] for name in ("visits", "departures")}
    visit_map = MAP | {"child": {"id": ["number"]}, "columns": tables}
    files = [(tmp_path / "children.csv", child_map), (tmp_path / "visits.csv", visit_map)]
    records = load_files(files)
    alone = load_rows(tmp_path, rows)
    pd.testing.assert_frame_equal(records.children, alone.children)
    pd.testing.assert_frame_equal(records.feet, alone.feet)
    assert (records.ledger.rows["fate"] == "kept").all()


def test_numbers_of_a_clinic_do_not_name_one_child_in_another(tmp_path: Path):
    rows = two_children()
    for row in rows[24:]:
        row |= {"number": "1", "clinic": "N02"}
    tree = MAP | {"child": MAP["child"] | {"scope": "clinic"}}
    assert len(load_rows(tmp_path, rows, tree=tree).children) == 2


def test_two_files_of_one_name_are_refused(tmp_path: Path):
    (tmp_path / "x").mkdir()
    first = write_csv(tmp_path / "a.csv", two_children())
    second = write_csv(tmp_path / "x" / "a.csv", two_children())
    with pytest.raises(ExportFileError, match="two exports are called 'a.csv'"):
        load_files([(first, MAP), (second, MAP)])


def test_books_that_do_not_add_up_stop_the_run(tmp_path: Path):
    ledger = load_rows(tmp_path, two_children()).ledger
    twice = pd.concat([ledger.rows, ledger.rows.iloc[:1]])
    with pytest.raises(BalanceError):
        Ledger(twice, ledger.pieces, ledger.amendments, ledger.flags).balance()
    unknown = ledger.rows.assign(fate=ledger.rows["fate"].mask(ledger.rows["line"] == 2))
    with pytest.raises(BalanceError):
        Ledger(unknown, ledger.pieces, ledger.amendments, ledger.flags).balance()
