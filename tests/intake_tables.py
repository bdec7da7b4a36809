"""A course of casting as rows of an export, and small exports drawn as tables."""

from __future__ import annotations

import csv
from datetime import date, timedelta
from pathlib import Path

from analytics.intake.load import Programme, load
from analytics.intake.map_parse import parse_map
from analytics.intake.records import Records

KEY = "a key for tests alone"
BORN = date(2024, 1, 1)

#: Serial casting as it is commonly taught, in days of age (common practice, no source): casts
#: every 5-7 days from the first days of life, cavus first, then adduction and varus together,
#: tenotomy when only equinus is left, a last cast for three weeks, the brace full time for three
#: months. Columns: age, purpose, cast, midfoot, hindfoot, abduction, dorsiflexion, brace hours.
COURSE = """
  4 | assessment    |   | 3   | 2.5 | -40 | -45 |
  4 | cast          | 1 | 3   | 2.5 | -40 | -45 |
 10 | cast          | 2 | 2   | 2.5 | -10 | -40 |
 17 | cast          | 3 | 1   | 2.5 |  10 | -30 |
 23 | cast          | 4 | 0.5 | 2   |  30 | -20 |
 30 | tenotomy      |   | 0.5 | 2   |  60 | -10 |
 30 | cast          | 5 |     |     |  70 |  15 |
 51 | brace_fitting |   | 0   | 0.5 |  70 |  15 |
 65 | brace_review  |   |     |     |     |     | 23
 81 | brace_review  |   |     |     |     |     | 23
111 | brace_review  |   |     |     |     |     | 23
141 | brace_review  |   | 0   | 0.5 |  65 |  15 | 23
"""

NAMES = (
    "age", "purpose", "cast_number", "pirani_midfoot", "pirani_hindfoot", "abduction_deg",
    "dorsiflexion_deg", "brace_hours",
)  # fmt: skip

VISIT_COLUMNS = (
    "side", "clinic", "visited_on", "purpose", "cast_number", "pirani_midfoot", "pirani_hindfoot",
    "pirani_total", "dimeglio_total", "abduction_deg", "dorsiflexion_deg", "brace_hours",
    "relapse_noted", "procedure", "cast_replaced", "complication",
)  # fmt: skip
CHILD_COLUMNS = ("sex", "birth_on", "diagnosis", "prior_treatment")

#: A map whose headings are the canonical names.
MAP = {
    "name": "plain",
    "shape": "long",
    "drop": ["phone"],
    "child": {"id": ["number"], "link": ["name"]},
    "columns": {
        "children": {name: name for name in CHILD_COLUMNS},
        "feet": {"side": "affected"},
        "visits": {name: name for name in VISIT_COLUMNS},
        "departures": {"left_on": "left_on", "why": "why"},
    },
}
HEADINGS = (
    "number", "name", "phone", "affected", *CHILD_COLUMNS, *VISIT_COLUMNS, "left_on", "why",
)  # fmt: skip


def child_rows(number: str, name: str, *, born: date = BORN) -> list[dict[str, str]]:
    """Return the reference course of both feet, as an export would have it."""
    rows = []
    for side in ("left", "right"):
        for line in COURSE.strip().splitlines():
            cells = dict(zip(NAMES, (cell.strip() for cell in line.split("|")), strict=True))
            age = int(cells.pop("age"))
            cells |= {"number": number, "name": name, "phone": "0700 555 0123", "side": side}
            cells |= {"affected": "both", "clinic": "N01", "sex": "female"}
            cells |= {"birth_on": str(born), "diagnosis": "idiopathic", "prior_treatment": "none"}
            cells["visited_on"] = str(born + timedelta(days=age))
            if cells["pirani_midfoot"]:
                total = float(cells["pirani_midfoot"]) + float(cells["pirani_hindfoot"])
                cells["pirani_total"] = f"{total:g}"
            rows.append(dict.fromkeys(HEADINGS, "") | cells)
    return rows


def two_children() -> list[dict[str, str]]:
    """Return two children with the reference course of both feet."""
    return child_rows("1", "Ama Owusu") + child_rows("2", "Bo Lindqvist", born=date(2024, 1, 3))


def write_csv(path: Path, rows: list[dict[str, str]], headings: tuple[str, ...] = HEADINGS) -> Path:
    """Write rows as a CSV file."""
    with path.open("w", encoding="utf-8", newline="") as file:
        writer = csv.DictWriter(file, headings, lineterminator="\n")
        writer.writeheader()
        writer.writerows(rows)
    return path


def load_rows(
    folder: Path,
    rows: list[dict[str, str]],
    *,
    extracted_on: date = date(2024, 6, 15),
    tree: dict | None = None,
    cut: int = 0,
) -> Records:
    """Return the records of rows under the plain map; ``cut`` puts the first of them in a file of
    their own."""
    files = {"a.csv": rows[:cut], "b.csv": rows[cut:]} if cut else {"export.csv": rows}
    source_map = parse_map(tree or MAP, where="plain.toml")
    programme = Programme(extracted_on, started_on=date(2010, 1, 1))
    sources = [(write_csv(folder / name, part), source_map) for name, part in files.items()]
    return load(sources, key=KEY, programme=programme)


def draw(text: str) -> list[dict[str, str]]:
    """Return the rows of a table drawn with bars; its first line holds the headings."""
    lines = [[cell.strip() for cell in line.split("|")] for line in text.strip().splitlines()]
    return [dict(zip(lines[0], line, strict=True)) for line in lines[1:]]
