"""Each rule fires on what it asks about, and on nothing else; a reference course fires none."""

from __future__ import annotations

from collections.abc import Callable
from datetime import date, timedelta
from pathlib import Path

import pytest
from intake_tables import BORN, load_rows, two_children

from analytics.definitions.checks import CHECKS, CLINIC_CHECKS, DOOR_CHECKS
from analytics.definitions.labels import labels

Rows = list[dict[str, str]]

LEFT = range(12)
RIGHT = range(12, 24)
FIRST_CAST, SECOND_CAST, THIRD_CAST, FOURTH_CAST = 1, 2, 3, 4
TENOTOMY, LAST_CAST, FITTING, FIRST_REVIEW, SECOND_REVIEW, LAST_REVIEW = 5, 6, 7, 8, 9, 11


def at(row: int, **values: str) -> Callable[[Rows], Rows]:
    """Return a change of one row."""

    def change(rows: Rows) -> Rows:
        rows[row] |= values
        return rows

    return change


def everywhere(**values: str) -> Callable[[Rows], Rows]:
    """Return a change of all rows of the first child."""

    def change(rows: Rows) -> Rows:
        for row in rows[:24]:
            row |= values
        return rows

    return change


def shifted(rows_moved: range, days: int) -> Callable[[Rows], Rows]:
    """Return a change that moves rows by some days."""

    def change(rows: Rows) -> Rows:
        for number in rows_moved:
            moved = date.fromisoformat(rows[number]["visited_on"]) + timedelta(days=days)
            rows[number]["visited_on"] = str(moved)
        return rows

    return change


def added(like: int, *, days: int = 0, **values: str) -> Callable[[Rows], Rows]:
    """Return a change that adds a row like another, some days later."""

    def change(rows: Rows) -> Rows:
        day = date.fromisoformat(rows[like]["visited_on"]) + timedelta(days=days)
        return [*rows, rows[like] | {"visited_on": str(day)} | values]

    return change


def without(*gone: int) -> Callable[[Rows], Rows]:
    """Return a change that takes rows out."""
    return lambda rows: [row for number, row in enumerate(rows) if number not in gone]


def both(*changes: Callable[[Rows], Rows]) -> Callable[[Rows], Rows]:
    """Return several changes, one after the other."""

    def change(rows: Rows) -> Rows:
        for one in changes:
            rows = one(rows)
        return rows

    return change


def more_casts(total: int) -> Callable[[Rows], Rows]:
    """Return a change that makes the left foot's series longer, all before the tenotomy."""

    def change(rows: Rows) -> Rows:
        extra = total - 5
        rows = shifted(range(TENOTOMY, 12), 7 * extra)(rows)
        rows[LAST_CAST]["cast_number"] = str(total)
        for number in range(1, extra + 1):
            day = BORN + timedelta(days=23 + 7 * number)
            cast = {"visited_on": str(day), "cast_number": str(4 + number)}
            rows.append(rows[FOURTH_CAST] | cast)
        return rows

    return change


def day(age: int) -> str:
    """Return the date of an age in days."""
    return str(BORN + timedelta(days=age))


LATE = {"extracted_on": date(2024, 11, 1)}

CASES = [
    ("R01", "tenotomy before the first cast", at(TENOTOMY, visited_on=day(3)), {}),
    ("R01", "a visit before birth", everywhere(birth_on=day(5)), {}),
    ("R01", "brace before the first cast", at(FITTING, visited_on=day(2)), {}),
    ("R02", "a visit after the export", at(LAST_REVIEW, visited_on="2024-06-16"), {}),
    ("R02", "a visit before the programme", at(LAST_REVIEW, visited_on="2009-12-31"), {}),
    ("R03", "cast at 15 years", everywhere(birth_on="2009-01-01"), {}),
    ("R03a", "cast at 11 years", everywhere(birth_on="2013-01-01"), {}),
    ("R03b", "cast on the day after birth", everywhere(birth_on=day(3)), {}),
    ("R04", "one name key, birth date and sex under two numbers",
     everywhere(name="bo  LINDQVIST", birth_on="2024-01-03"), {}),
    ("R05", "no foot named", at(LAST_REVIEW, side=""), {}),
    ("R05", "casts on a foot that is not affected", everywhere(affected="left"), {}),
    ("R06", "a total above the scale", at(FITTING, pirani_total="7"), {}),
    ("R06", "a total that is not its parts", at(FITTING, pirani_total="1"), {}),
    ("R06", "a value between the steps",
     at(FITTING, pirani_midfoot="", pirani_hindfoot="", pirani_total="0.3"), {}),
    ("R06", "a part above its scale",
     at(FITTING, pirani_midfoot="3.5", pirani_hindfoot="", pirani_total=""), {}),
    ("R06", "the other score off its scale", at(FITTING, dimeglio_total="21"), {}),
    ("R06", "the other score in halves", at(FITTING, dimeglio_total="4.5"), {}),
    ("R07", "a sound foot at the start",
     at(0, pirani_midfoot="0.5", pirani_hindfoot="0", pirani_total="0.5"), {}),
    ("R08", "a high score at brace fitting",
     at(FITTING, pirani_midfoot="0.5", pirani_hindfoot="1.5", pirani_total="2"), {}),
    ("R09", "a rise between casts",
     at(THIRD_CAST, pirani_midfoot="3", pirani_hindfoot="3", pirani_total="6"), {}),
    ("R10", "tenotomy with the midfoot uncorrected",
     at(TENOTOMY, pirani_midfoot="1.5", pirani_total="3.5"), {}),
    ("R11", "20 days between casts", shifted(range(FOURTH_CAST, 12), 14), {}),
    ("R11", "2 days between casts", at(SECOND_CAST, visited_on=day(6)), {}),
    ("R12", "21 casts", more_casts(21), LATE),
    ("R12a", "11 casts", more_casts(11), {"extracted_on": date(2024, 9, 1)}),
    ("R13", "a cast number left out", at(FOURTH_CAST, cast_number="5"), {}),
    ("R14", "10 days in the last cast", shifted(range(FITTING, 12), -11), {}),
    ("R14", "40 days in the last cast", shifted(range(FITTING, 12), 19), LATE),
    ("R15", "20 days between cast and brace",
     both(shifted(range(FITTING, 12), 20), added(LAST_CAST, days=21, purpose="review",
          cast_number="")), {"extracted_on": date(2024, 9, 1)}),
    ("R15", "60 days from the last cast to the brace", shifted(range(FITTING, 12), 39), LATE),
    ("R16", "a second tenotomy after a week", added(TENOTOMY, days=7), {}),
    ("R18", "full time ended after a month",
     both(*(at(row, brace_hours="12") for row in (SECOND_REVIEW, 10, LAST_REVIEW))), {}),
    ("R18", "full time after six months",
     added(LAST_REVIEW, days=100), {"extracted_on": date(2024, 9, 1)}),
    ("R19", "25 hours a day", at(LAST_REVIEW, brace_hours="25"), {}),
    ("R19a", "few hours in the first phase", at(FIRST_REVIEW, brace_hours="8"), {}),
    ("R20", "relapse before correction", at(THIRD_CAST, relapse_noted="yes"), {}),
    ("R21", "first relapse at 8.5 years",
     both(*(added(foot + LAST_REVIEW, days=2964, purpose="review", brace_hours="")
            for foot in (12, 24, 36)),
          added(LAST_REVIEW, days=2964, purpose="review", brace_hours="", relapse_noted="yes",
                procedure="tendon_transfer")), {"extracted_on": date(2032, 8, 1)}),
    ("R22", "relapse without treatment", at(SECOND_REVIEW, relapse_noted="yes"),
     {"extracted_on": date(2024, 7, 15)}),
    ("R22", "new casts without relapse",
     added(LAST_REVIEW, days=20, purpose="cast", brace_hours="", cast_number="1"), {}),
    ("R23", "tendon transfer in the first year",
     added(LAST_REVIEW, days=10, purpose="procedure", brace_hours="",
           procedure="tendon_transfer"), {}),
    ("R24", "feet begun six weeks apart", shifted(RIGHT, 42), {"extracted_on": date(2024, 8, 1)}),
    ("R28", "the same visit a day later", added(LAST_REVIEW, days=1), {}),
    ("R28", "three visits on one day",
     both(added(TENOTOMY, purpose="review"), added(TENOTOMY, purpose="assessment")), {}),
    ("R29", "a visit after death", at(0, left_on=day(130), why="died"), {}),
    ("R30", "not seen for seven months", everywhere(), {"extracted_on": date(2025, 1, 1)}),
    ("R31", "tenotomy with one cast",
     without(FIRST_CAST, SECOND_CAST, THIRD_CAST, FOURTH_CAST), {}),
    ("limits", "an angle that no foot has", at(FITTING, dorsiflexion_deg="75"), {}),
    ("unreadable", "a number that is none", at(FITTING, dorsiflexion_deg="1O"), {}),
    ("unreadable", "a day that is none", at(LAST_REVIEW, visited_on="2024-02-30"), {}),
    ("missing", "no day", at(LAST_REVIEW, visited_on=""), {}),
    ("missing", "no child", at(LAST_REVIEW, number=""), {}),
    ("conflict", "two birth dates", at(LAST_REVIEW, birth_on="2024-01-02"), {}),
    ("conflict", "two values of one visit", added(FITTING, abduction_deg="60"), {}),
]  # fmt: skip


def test_the_reference_course_raises_no_flag(tmp_path: Path):
    records = load_rows(tmp_path, two_children())
    assert records.ledger.flags.empty
    assert records.ledger.amendments.empty
    assert (records.ledger.rows["fate"] == "kept").all()
    assert len(records.visits) == 48
    assert records.feet["affected"].all()


@pytest.mark.parametrize("rule, title, change, when", CASES, ids=[f"{c[0]} {c[1]}" for c in CASES])
def test_a_rule_fires_alone(rule, title, change, when, tmp_path: Path):
    flags = load_rows(tmp_path, change(two_children()), **when).ledger.flags
    assert set(flags["rule"]) == {rule}
    assert flags["line"].notna().all()
    assert flags["clinic"].eq("N01").all()


@pytest.mark.parametrize("rule, title, change, when", CASES, ids=[f"{c[0]} {c[1]}" for c in CASES])
def test_a_hard_rule_sets_aside_and_a_soft_one_keeps(rule, title, change, when, tmp_path: Path):
    ledger = load_rows(tmp_path, change(two_children()), **when).ledger
    hard = set(ledger.flags.loc[ledger.flags["severity"] == "hard", "rule"])
    out = ledger.rows.loc[ledger.rows["fate"] == "quarantined", "reason"]
    assert set(out) == hard
    if rule in CHECKS and rule not in {check.code for check in DOOR_CHECKS}:
        assert (CHECKS[rule].severity == "hard") == bool(hard)


def test_every_rule_has_a_case_and_words():
    of_rows = {code for code, check in CHECKS.items() if check.scope == "row"}
    asked_elsewhere = {check.code for check in CLINIC_CHECKS} | of_rows
    assert {case[0] for case in CASES} == set(CHECKS) - asked_elsewhere
    words = labels("en")
    for code in CHECKS:
        assert words[f"check.{code}.what"]
        assert words[f"check.{code}.todo"]


def test_a_visit_set_aside_leaves_no_gap_to_ask_about(tmp_path: Path):
    rows = at(THIRD_CAST, pirani_total="7")(shifted(range(THIRD_CAST, 12), 4)(two_children()))
    flags = load_rows(tmp_path, rows).ledger.flags
    assert set(flags["rule"]) == {"R06"}


def test_treatment_elsewhere_explains_a_course_that_begins_in_the_middle(tmp_path: Path):
    change = both(everywhere(prior_treatment="casts"), at(TENOTOMY, visited_on=day(3)))
    flags = load_rows(tmp_path, change(two_children())).ledger.flags
    assert "R01" not in set(flags["rule"])


def test_an_older_version_of_the_score_is_said_to_be_one(tmp_path: Path):
    rows = at(FITTING, pirani_midfoot="", pirani_hindfoot="", pirani_total="8")(two_children())
    found = load_rows(tmp_path, rows).ledger.flags["found"].iloc[0]
    assert "older_version=yes" in found
