"""Case records rebuilt from the cells of a published table, as a clinic would export them."""

from __future__ import annotations

import csv
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date, timedelta
from pathlib import Path

from analytics.courses.build import build_cohort
from analytics.courses.cohort import Cohort
from analytics.definitions.protocol import Protocol
from analytics.intake.load import Programme, load
from analytics.intake.maps import read_map

CUT_OFF = date(2020, 12, 31)
HEADINGS = (
    "Reg",
    "Visit",
    "What",
    "Foot",
    "Clinic",
    "Brace",
    "Done",
    "Back",
    "Arm",
    "Score",
    "Before",
)

MAP = """
name = "rebuilt"
shape = "long"
missing = [""]

[file]
encoding = "utf-8"
delimiter = ","

[child]
id = ["Reg"]

[columns.children]
extra_arm = "Arm"
prior_treatment = "Before"

[columns.visits]
visited_on = "Visit"
purpose = "What"
side = "Foot"
clinic = "Clinic"
brace_use = "Brace"
procedure = "Done"
relapse_noted = "Back"
pirani_total = "Score"

[dates]
formats = ["YYYY-MM-DD"]

[numbers]
decimal = "."

[codes.side]
left = ["L"]
right = ["R"]

[codes.purpose]
cast = ["cast"]
tenotomy = ["tenotomy"]
brace_fitting = ["brace"]
brace_review = ["review"]
procedure = ["operation"]

[codes.brace_use]
as_advised = ["good"]
not = ["none"]

[codes.procedure]
tendon_transfer = ["transfer"]
tenotomy = ["tenotomy"]

[codes.prior_treatment]
none = ["nothing"]

[codes.flag]
yes = ["Y"]
no = ["N"]
"""


@dataclass(frozen=True)
class Foot:
    """What the table says of one foot."""

    child: str
    side: str = "L"
    arm: str = ""
    n_casts: int = 5
    has_tenotomy: bool = False
    brace: str = "good"
    is_relapsed: bool = False
    is_operated: bool = False
    score: str = ""
    stops_after: str = ""
    last_review: int = 600


def cohort_from(feet: list[Foot], folder: Path) -> Cohort:
    """The feet through intake and courses."""
    export, source_map = folder / "rebuilt.csv", folder / "rebuilt.toml"
    source_map.write_text(MAP, encoding="utf-8")
    with export.open("w", newline="", encoding="utf-8") as file:
        writer = csv.DictWriter(file, HEADINGS, restval="")
        writer.writeheader()
        for foot in feet:
            writer.writerows(_rows(foot))
    sources = [(export, read_map(source_map))]
    records = load(sources, key="a key for tests only", programme=Programme(CUT_OFF))
    balance = records.ledger.balance()
    assert balance["n_read"].sum() == balance["n_kept"].sum()
    return build_cohort(records, CUT_OFF, Protocol())


def _rows(foot: Foot) -> Iterator[dict[str, str]]:
    def row(days: int, what: str, **more: str) -> dict[str, str]:
        day = date(2018, 1, 1) + timedelta(days=days)
        common = {
            "Reg": foot.child,
            "Foot": foot.side,
            "Clinic": "A",
            "Arm": foot.arm,
            "Before": "nothing",
        }
        return common | {"Visit": day.isoformat(), "What": what} | more

    for number in range(foot.n_casts):
        yield row(7 * number, "cast", Score=foot.score if not number else "")
    if foot.stops_after == "cast":
        return
    end = 7 * foot.n_casts
    if foot.has_tenotomy:
        yield row(end, "tenotomy", Done="tenotomy")
        end += 21
    yield row(end, "brace")
    if foot.stops_after == "brace":
        return
    yield row(end + 60, "review", Brace=foot.brace, Back="N")
    yield row(end + 150, "review", Brace=foot.brace, Back="N")
    for days in range(750, foot.last_review, 150):
        yield row(end + days, "review", Brace=foot.brace, Back="N")
    if foot.is_operated:
        yield row(end + foot.last_review, "operation", Done="transfer")
    else:
        yield row(end + foot.last_review, "review", Back="Y" if foot.is_relapsed else "N")
