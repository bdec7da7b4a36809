"""Dropping out and coming back, reviews on time, and harm at tenotomy, from drawn visits."""

from __future__ import annotations

from datetime import date

import pandas as pd
import pytest
from drawn import drawn, empty_ledger, typed

from analytics.courses.build import build_cohort
from analytics.definitions.columns import TABLES
from analytics.definitions.protocol import Protocol
from analytics.intake.records import Records

CUT_OFF = date(2026, 1, 1)


def feet_of(visits: str, *, departures: str = "", birth: str = "") -> pd.DataFrame:
    table = drawn(visits).assign(side="left", clinic="A").convert_dtypes()
    children = table[["child"]].drop_duplicates().assign(clinic="A", birth_on=birth or None)
    tables = {name: typed(pd.DataFrame(), columns) for name, columns in TABLES.items()}
    address = {"file": "a.csv", "sheet": "", "line": range(2, len(table) + 2)}
    tables["visits"] = typed(table, TABLES["visits"]).assign(**address)
    tables["children"] = typed(children, TABLES["children"])
    if departures:
        tables["departures"] = typed(drawn(departures), TABLES["departures"])
    records = Records(**tables, ledger=empty_ledger(), sources=())
    return build_cohort(records, CUT_OFF, Protocol()).feet.set_index("child")


def column(feet: pd.DataFrame, name: str) -> list[str]:
    values = feet[name]
    text = values.dt.strftime("%Y-%m-%d") if values.dtype.kind == "M" else values
    return text.astype("string").fillna(".").tolist()


def test_the_first_gap_over_the_limit_of_its_phase_is_a_loss() -> None:
    feet = feet_of(
        """
        child visited_on purpose
        a     2025-01-01 cast
        a     2025-01-22 cast
        a     2025-02-13 cast
        b     2025-12-11 cast
        c     2025-12-10 cast
        d     2025-01-01 cast
        d     2025-01-08 tenotomy
        d     2025-02-06 brace_fitting
        e     2025-01-01 cast
        e     2025-01-20 brace_fitting
        e     2025-07-22 brace_review
        f     2025-01-01 cast
        f     2025-01-20 brace_fitting
        f     2025-07-23 brace_review
        """
    )
    # a: 21 days, then 22; b: 21 days at the cut-off; c: 22; d: 29 after tenotomy; e: 183; f: 184.
    assert column(feet, "first_lost_on") == [
        "2025-02-12", ".", "2025-12-31", "2025-02-05", ".", "2025-07-22",
    ]  # fmt: skip
    assert column(feet, "returned_on") == ["2025-02-13", ".", ".", "2025-02-06", ".", "2025-07-23"]


def test_a_stated_end_or_the_end_of_bracing_is_no_loss() -> None:
    visits = """
        child visited_on purpose
        a     2020-01-01 cast
        a     2020-01-20 brace_fitting
        a     2024-01-01 brace_review
        """
    gone = """
        child left_on    why
        a     2020-03-01 moved_away
        """
    assert column(feet_of(visits), "first_lost_on") == ["2020-07-21"]
    # Came back: the stated end was none.
    assert column(feet_of(visits, departures=gone), "first_lost_on") == ["2020-07-21"]
    ended = feet_of(visits.rsplit("a ", 1)[0], departures=gone)
    assert column(ended, "first_lost_on") == ["."]
    # Four years old on 2020-05-01, within the 183 days.
    assert column(feet_of(visits, birth="2016-05-01"), "first_lost_on") == ["."]


def test_reviews_fall_due_after_each_visit_in_the_brace() -> None:
    feet = feet_of(
        """
        child visited_on purpose
        a     2025-01-01 cast
        a     2025-01-20 brace_fitting
        a     2025-03-29 brace_review
        a     2025-06-05 brace_review
        a     2025-09-26 brace_review
        b     2025-01-01 cast
        b     2025-01-20 brace_fitting
        b     2025-05-14 brace_review
        b     2025-09-09 brace_review
        c     2025-01-01 cast
        """
    )
    # Due after 68.25-113.75 days. a: 68 (extra), 68 (extra), 113 (on time), 97 open (not yet due).
    # b: 114 (late), 118 (late), 114 open (missed).
    assert column(feet, "n_reviews_due") == ["1", "3", "."]
    assert column(feet, "n_reviews_on_time") == ["1", "0", "."]


@pytest.mark.parametrize(
    ("noted", "said"),
    [("bleeding", "True"), ("nerve_or_vessel_injury", "True"), ("skin_lesion", "False"),
     ("none", "False"), (".", "<NA>")],
)  # fmt: skip
def test_harm_at_tenotomy_is_known_only_where_something_was_noted(noted: str, said: str) -> None:
    table = """
        child visited_on purpose       complication
        a     2025-01-01 cast          bleeding
        a     2025-01-08 tenotomy      .
        a     2025-02-07 brace_fitting {noted}
        a     2025-02-08 brace_review  bleeding
        """
    feet = feet_of(table.format(noted=noted))
    assert feet["tenotomy_complication"].astype("string").fillna("<NA>").tolist() == [said]


def test_time_followed_of_time_due() -> None:
    feet = feet_of(
        """
        child visited_on purpose
        a     2025-01-01 cast
        a     2025-07-01 cast
        b     2025-01-01 cast
        b     2025-07-01 cast
        """,
        departures="""
        child left_on    why
        b     2025-09-01 died
        """,
    )
    assert column(feet, "due_until_on") == ["2026-01-01", "2025-09-01"]
    assert column(feet, "followed_until_on") == ["2025-07-01", "2025-09-01"]
