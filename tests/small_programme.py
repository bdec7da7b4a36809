"""A programme small enough for a test: a few dozen invented children in two or more clinics."""

from __future__ import annotations

import csv
import json
from collections.abc import Sequence
from datetime import date, timedelta
from pathlib import Path

HEADINGS = ("Child", "Name", "Sex", "Born", "Clinic", "Day", "Foot", "Visit", "Pirani", "Relapse")

MAP = """
name = "small"
shape = "long"
missing = [""]
drop = ["Name"]

[file]
encoding = "utf-8"
delimiter = ","
header_line = 1

[child]
id = ["Child"]
scope = "network"

[columns.children]
sex = "Sex"
birth_on = "Born"

[columns.visits]
clinic = "Clinic"
visited_on = "Day"
side = "Foot"
purpose = "Visit"
pirani_total = "Pirani"
relapse_noted = "Relapse"

[dates]
formats = ["YYYY-MM-DD"]

[numbers]
decimal = "."

[codes.sex]
female = ["F"]
male = ["M"]

[codes.side]
left = ["L"]
right = ["R"]

[codes.flag]
yes = ["Y"]
no = ["N"]
"""

SETTINGS = """
clinics = "clinics.csv"

[programme]
name = "Small programme"
cut_off = 2025-12-31
started_on = 2022-01-01
language = "en"
identity_key = "a key for the test"

[[source]]
path = "visits.csv"
map = "map.toml"

[files]
formats = []
"""

CLINICS = """clinic,name,country,opened_on,annual_live_births
K1,<script>alert(1)</script>,XV,2021-01-01,1000
K2,Second & last,XV,2021-01-01,1000
"""


def write_programme(folder: Path, *, n_children: int = 48, formats: Sequence[str] = ()) -> Path:
    """Write settings, map, clinics and one export in a folder; return the settings file."""
    settings = SETTINGS.replace("formats = []", f"formats = {json.dumps(list(formats))}")
    texts = {"programme.toml": settings, "map.toml": MAP, "clinics.csv": CLINICS}
    for name, text in texts.items():
        (folder / name).write_text(text, encoding="utf-8")
    with (folder / "visits.csv").open("w", encoding="utf-8", newline="") as file:
        writer = csv.writer(file)
        writer.writerow(HEADINGS)
        writer.writerows(row for number in range(n_children) for row in child_rows(number))
    return folder / "programme.toml"


def child_rows(number: int) -> list[list[str]]:
    """The visits of one invented child: every third has two feet, every fifth relapses."""
    born = date(2022, 1, 3) + timedelta(days=19 * number)
    start = born + timedelta(days=10 + number % 5)
    n_casts = 3 + number % 4
    score = 3.0 + 0.5 * (number % 7)
    visits = [(start, "assessment", score, "")]
    visits += [(start + timedelta(days=7 * i), "cast", score - i * 0.5, "") for i in range(n_casts)]
    tenotomy = start + timedelta(days=7 * n_casts)
    brace = tenotomy + timedelta(days=21)
    visits += [(tenotomy, "tenotomy", 1.0, ""), (brace, "brace_fitting", 0.5, "N")]
    for month in range(1, 13 + number % 12):
        seen = brace + timedelta(days=61 * month)
        relapsed = number % 5 == 0 and month == 3 + number % 7
        visits.append((seen, "brace_review", 2.5 if relapsed else 0.5, "Y" if relapsed else "N"))
    sides = ("L", "R") if number % 3 == 0 else ("L",)
    sex, clinic = ("F" if number % 3 else "M"), f"K{1 + number % 2}"
    page = [f"C{number:03d}", f"Invented Person {number}", sex, born.isoformat(), clinic]
    return [
        [*page, seen.isoformat(), side, purpose, str(points), relapse]
        for seen, purpose, points, relapse in visits
        if seen <= date(2025, 12, 31)
        for side in sides
    ]
