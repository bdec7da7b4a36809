"""A wide workbook: repeated groups, left and right, stored dates, decimal commas."""

from __future__ import annotations

from datetime import date
from pathlib import Path

import pandas as pd
import pytest
import xlsxwriter
from intake_tables import KEY, draw

from analytics.intake.load import Programme, load
from analytics.intake.map_parse import parse_map
from analytics.intake.records import Records

TREE = {
    "name": "registre",
    "shape": "wide",
    "missing": ["", "ND"],
    "drop": ["Nom"],
    "file": {"sheet": "Enfants", "header_line": 3},
    "child": {"id": ["Dossier"], "scope": "clinic"},
    "columns": {
        "children": {"clinic": "Centre", "birth_on": "Naissance"},
        "feet": {"side": "Côté", "atypical": "Atypique {side}"},
    },
    "sides": {"left": "G", "right": "D"},
    "groups": [
        {
            "name": "cast",
            "first": 1,
            "last": 2,
            "constants": {"purpose": "cast", "cast_number": "{n}"},
            "columns": {
                "visited_on": "Plâtre {n} date",
                "pirani_total": "Plâtre {n} Pirani {side}",
            },
        },
        {
            "name": "tenotomy",
            "constants": {"purpose": "tenotomy"},
            "columns": {"side": "Ténotomie côté", "visited_on": "Ténotomie date"},
        },
    ],
    "dates": {"formats": ["DD/MM/YYYY"]},
    "numbers": {"decimal": ","},
    "codes": {
        "side": {"left": ["G"], "right": ["D"], "both": ["GD"]},
        "yes_no": {"yes": ["oui"], "no": ["non"]},
    },
}

TABLE = """
Centre | Dossier | Nom     | Naissance  | Côté | Atypique G | Atypique D | Plâtre 1 date | Plâtre 1 Pirani G | Plâtre 1 Pirani D | Plâtre 2 date | Plâtre 2 Pirani G | Plâtre 2 Pirani D | Ténotomie date | Ténotomie côté
C1     | 1       | A. Moro | 01/02/2024 | GD   | oui        | non        | 11/02/2024    | 4,5               | 5                 | 18/02/2024    | 3,5               | ND                | 25/02/2024     | G
C1     | 2       | B. Sila | 01/02/2024 | D    |            |            | 12/02/2024    |                   | 5,5               | 19/02/2024    |                   | 7,5               |                |
C2     | 1       | C. Tavo | 03/2024    | G    | ND         |            | 30/02/2024    | 4                 |                   | 20/04/2024    |                   |                   |                |
C2     | 2       | D. Uro  | 05/02/2024 | G    |            |            | 13/02/2024    | 5                 | 2                 |               |                   |                   |                |
C2     | 3       | E. Vano | 05/02/2024 | G    |            |            |               |                   |                   |               |                   |                   |                |
"""  # noqa: E501

VISITS = """
clinic | side  | visited_on | purpose  | cast_number | pirani_total | line
C1     | left  | 2024-02-11 | cast     | 1           | 4.5          | 4
C1     | left  | 2024-02-18 | cast     | 2           | 3.5          | 4
C1     | left  | 2024-02-25 | tenotomy |             |              | 4
C1     | right | 2024-02-11 | cast     | 1           | 5            | 4
C1     | right | 2024-02-18 | cast     | 2           |              | 4
C1     | right | 2024-02-12 | cast     | 1           | 5.5          | 5
C2     | left  | 2024-04-20 | cast     | 2           |              | 6
C2     | left  | 2024-02-13 | cast     | 1           | 5            | 7
"""


def write_workbook(path: Path, rows: list[dict[str, str]], *, stored_dates: bool) -> Path:
    with xlsxwriter.Workbook(path) as book:
        sheet = book.add_worksheet("Enfants")
        book.add_worksheet("Codes")
        as_day = book.add_format({"num_format": "dd/mm/yyyy"})
        sheet.write(0, 0, "Registre des enfants")
        sheet.write_row(2, 0, list(rows[0]))
        for number, row in enumerate(rows, start=3):
            for column, text in enumerate(row.values()):
                day = _day(text) if stored_dates else None
                if day:
                    sheet.write_datetime(number, column, day, as_day)
                else:
                    sheet.write_string(number, column, text)
    return path


def _day(text: str) -> date | None:
    parts = text.split("/")
    try:
        return date(int(parts[2]), int(parts[1]), int(parts[0])) if len(parts) == 3 else None
    except ValueError:
        return None


def load_table(folder: Path, *, stored_dates: bool = False, tree: dict | None = None) -> Records:
    path = write_workbook(folder / "registre.xlsx", draw(TABLE), stored_dates=stored_dates)
    of_birth = {"children.birth_on": ["DD/MM/YYYY", "MM/YYYY"]}
    tree = tree or TREE | {"dates": {"formats": ["DD/MM/YYYY"], "columns": of_birth}}
    source_map = parse_map(tree, where="registre.toml")
    return load([(path, source_map)], key=KEY, programme=Programme(date(2024, 5, 1)))


@pytest.mark.parametrize("stored_dates", [False, True])
def test_a_wide_row_becomes_its_visits(stored_dates, tmp_path: Path):
    visits = load_table(tmp_path, stored_dates=stored_dates).visits
    expected = pd.DataFrame(draw(VISITS), dtype="string").mask(lambda frame: frame == "")
    order = ["line", "side", "visited_on"]
    found = visits.assign(visited_on=visits["visited_on"].dt.strftime("%Y-%m-%d"))
    found = found[list(expected)].sort_values(order, ignore_index=True)
    expected = expected.astype({n: found[n].dtype for n in expected if n != "visited_on"})
    expected = expected.sort_values(order, ignore_index=True)
    pd.testing.assert_frame_equal(found, expected, check_dtype=False)


def test_a_row_is_kept_when_one_of_its_visits_is_set_aside(tmp_path: Path):
    ledger = load_table(tmp_path).ledger
    assert ledger.rows[["line", "fate"]].to_numpy().tolist() == [
        [line, "kept"] for line in (4, 5, 6, 7, 8)
    ]
    out = ledger.pieces[ledger.pieces["fate"] == "quarantined"]
    assert out[["line", "piece", "reason"]].to_numpy().tolist() == [
        [5, "cast 2 right", "R06"],
        [6, "cast 1 left", "unreadable"],
        [7, "cast 1 right", "R05"],
    ]


def test_feet_are_what_the_row_says(tmp_path: Path):
    records = load_table(tmp_path)
    feet = records.feet.merge(records.children[["child", "clinic"]], on="child")
    counted = feet.groupby("clinic")["affected"].agg(["size", "sum"])
    assert counted.loc["C1"].tolist() == [4, 3]
    assert counted.loc["C2"].tolist() == [6, 3]
    of_first = records.visits.loc[records.visits["line"] == 4, "child"].iloc[0]
    atypical = records.feet[records.feet["child"] == of_first].set_index("side")["atypical"]
    assert atypical.to_dict() == {"left": "yes", "right": "no"}


def test_the_precision_of_a_birth_date_is_kept(tmp_path: Path):
    children = load_table(tmp_path).children
    assert sorted(children["birth_precision"]) == ["day", "day", "day", "day", "month"]
    month = children[children["birth_precision"] == "month"]
    assert month["birth_on"].dt.strftime("%Y-%m-%d").tolist() == ["2024-03-01"]


def test_the_same_number_in_two_centres_is_two_children(tmp_path: Path):
    assert len(load_table(tmp_path).children) == 5


def test_a_wide_row_sent_twice_merges(tmp_path: Path):
    rows = draw(TABLE)
    path = write_workbook(tmp_path / "r.xlsx", [*rows, rows[0], rows[4]], stored_dates=False)
    source_map = parse_map(TREE, where="registre.toml")
    records = load([(path, source_map)], key=KEY, programme=Programme(date(2024, 5, 1)))
    fates = records.ledger.rows.set_index("line")
    assert fates.loc[[9, 10], "fate"].tolist() == ["merged", "merged"]
    assert fates.loc[[9, 10], "merged_into"].tolist() == [
        "r.xlsx|Enfants|4", "r.xlsx|Enfants|8"
    ]  # fmt: skip


def test_a_tenotomy_without_its_side_is_set_aside(tmp_path: Path):
    rows = draw(TABLE)
    rows[0]["Ténotomie côté"] = ""
    path = write_workbook(tmp_path / "r.xlsx", rows, stored_dates=False)
    source_map = parse_map(TREE, where="registre.toml")
    records = load([(path, source_map)], key=KEY, programme=Programme(date(2024, 5, 1)))
    out = records.ledger.pieces.query("fate == 'quarantined' and line == 4")
    assert out[["piece", "reason"]].to_numpy().tolist() == [["tenotomy", "R05"]]
