"""Questions to a clinic as a whole (R17, R25, R26, R27, R32): asked of the odd one, no fault."""

from __future__ import annotations

from datetime import date, timedelta
from pathlib import Path

import pytest
from intake_tables import child_rows, load_rows

N = 40


def network(*, both: float = 0.5, boys: float = 0.65, right: float = 0.5, cut: float = 0.8,
            score: bool = False, first_of_month: float = 0.0,
            without_birth: float = 0.0) -> list[dict[str, str]]:  # fmt: skip
    """Return the rows of a clinic of 40 children; shares say what is usual there."""
    rows: list[dict[str, str]] = []
    n_both, n_boys, n_cut = round(both * N), round(boys * N), round(cut * N)
    n_right = round(right * (N - n_both))
    for number in range(N):
        born = date(2024, 1, 2) + timedelta(days=number % 12)
        if number < first_of_month * N:
            born = date(2024, 1, 15)
        of_child = child_rows(str(number), f"Child {number}", born=born)
        sides = ("left", "right") if number < n_both else (
            ("right",) if number - n_both < n_right else ("left",))  # fmt: skip
        of_child = [row for row in of_child if row["side"] in sides]
        for row in of_child:
            row["affected"] = "both" if len(sides) == 2 else sides[0]
            row["sex"] = "male" if (number * 7) % N < n_boys else "female"
            row["birth_on"] = "" if number >= N - without_birth * N else row["birth_on"]
            if not score and row["purpose"] in ("assessment", "cast") and row["cast_number"] in "1":
                _spread_score(row, number)
        if number >= n_cut:
            of_child = [row for row in of_child if row["purpose"] != "tenotomy"]
        rows += of_child
    return rows


def _spread_score(row: dict[str, str], number: int) -> None:
    midfoot = ("1.5", "2", "2.5", "3")[number % 4]
    row |= {"pirani_midfoot": midfoot, "pirani_total": f"{float(midfoot) + 2.5:g}"}


CASES = [
    ("R17", {"cut": 0.25}),
    ("R17", {"cut": 1.0}),
    ("R25", {"both": 0.9}),
    ("R25", {"boys": 0.4}),
    ("R26", {"both": 0.25, "right": 0.9}),
    ("R27", {"score": True}),
    ("R27", {"first_of_month": 0.5}),
    ("R32", {"without_birth": 0.2}),
]


def test_a_usual_clinic_is_asked_nothing(tmp_path: Path):
    assert load_rows(tmp_path, network()).ledger.flags.empty


@pytest.mark.parametrize("rule, odd", CASES, ids=[f"{rule} {odd}" for rule, odd in CASES])
def test_an_odd_clinic_is_asked_once(rule, odd, tmp_path: Path):
    records = load_rows(tmp_path, network(**odd))
    flags = records.ledger.flags
    assert flags["rule"].tolist() == [rule]
    assert flags["clinic"].tolist() == ["N01"]
    assert flags["severity"].tolist() == ["soft"]
    assert flags["line"].isna().all()
    assert (records.ledger.rows["fate"] == "kept").all()
