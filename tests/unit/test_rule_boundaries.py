"""Each rule at its very edge: what is just inside holds, one step further fails.

The windows are those of ``definitions.protocol``; days are days of age of a child born on
2020-01-01. A year is 365.25 days.
"""

from __future__ import annotations

from datetime import date, timedelta

import numpy as np
import pandas as pd
import pytest

from analytics.definitions.columns import TABLES
from analytics.definitions.protocol import Protocol
from analytics.intake.check import COURSE_RULES, PIECE_RULES, SOFT_RULES
from analytics.intake.course import Frame, order_course
from analytics.intake.visit_table import join_facts

RULES = PIECE_RULES | COURSE_RULES | SOFT_RULES
BORN = date(2020, 1, 1)
KINDS = {column.name: column.dtype for column in TABLES["visits"]}
CHILD = {"birth_on": BORN, "birth_precision": "day", "prior_treatment": "none", "sex": "female",
         "link": None}  # fmt: skip


def on(age):
    return None if age is None else pd.Timestamp(BORN + timedelta(days=age))


def table(rows, kinds):
    columns = {
        name: pd.array([row.get(name, pd.NA) for row in rows], dtype=kind)
        if not kind.startswith("datetime")
        else pd.to_datetime(pd.Series([row.get(name) for row in rows], dtype=object)).astype(kind)
        for name, kind in kinds.items()
    }
    return pd.DataFrame(columns)


def fails(rule, visits, **known):
    """Return the ages, in order, at which a rule fails on a course of one child."""
    course = course_of(visits, **known)
    born = np.datetime64(BORN, "D").astype(np.int64)
    return [int(day - born) for day in course.day[RULES[rule](course).fails]]


def course_of(visits, *, seen_until=6000, started=None, affected=True, left=None, **child):
    """Return a course of one child; a visit is of the left foot unless it says otherwise."""
    rows = [{"child": "c", "side": "left", "clinic": "N", "visited_on": on(age),
             "purpose": purpose} | more for age, purpose, more in visits]  # fmt: skip
    frame = table(rows, KINDS).assign(seq=range(len(rows)))
    facts = {
        "children": table([CHILD | child | {"child": "c"}], {
            "child": "string", "birth_on": "datetime64[s]", "birth_precision": "string",
            "prior_treatment": "string", "sex": "string", "link": "string"}),
        "feet": table([{"child": "c", "side": side, "affected": affected}
                       for side in ("left", "right")],
                      {"child": "string", "side": "string", "affected": "boolean"}),
        "departures": table(
            [{"child": "c", "left_on": on(left[0]), "why": left[1]}] if left else [],
            {"child": "string", "left_on": "datetime64[s]", "why": "string"}),
    }  # fmt: skip
    days = Frame(Protocol(), BORN + timedelta(days=seen_until),
                 None if started is None else BORN + timedelta(days=started))  # fmt: skip
    return order_course(join_facts(frame, facts), np.arange(len(frame)), days)


def v(age, purpose, **more):
    return age, purpose, more


def casts(*ages, **more):
    return [v(age, "cast", **more) for age in ages]


def scored(purpose, age, total=None, midfoot=None, **more):
    parts = {"pirani_total": total, "pirani_midfoot": midfoot}
    return v(age, purpose, **{k: x for k, x in parts.items() if x is not None}, **more)


FITTED = [*casts(10, 17, 24), v(31, "tenotomy"), *casts(31), v(52, "brace_fitting")]


def braced(*reviews):
    """Reviews (days since the brace, hours) after a brace fitted on day 52."""
    return [*FITTED, *(v(52 + day, "brace_review", brace_hours=h) for day, h in reviews)]


AGAIN = [*FITTED, v(200, "review", relapse_noted=True), *casts(210)]

#: Rule, course that holds, course that fails, the day of failing, and what else is known.
EDGES = [
    ("R01", [v(0, "review")], [v(-1, "review")], -1, {}),
    ("R01", [*casts(10), v(10, "tenotomy")], [v(9, "tenotomy"), *casts(10)], 9, {}),
    ("R01", [*casts(10), v(10, "brace_fitting")], [v(9, "brace_fitting"), *casts(10)], 9, {}),
    ("R02", [v(50, "review")], [v(51, "review")], 51, {"seen_until": 50}),
    ("R02", [v(50, "review")], [v(49, "review")], 49, {"started": 50}),
    ("R03", casts(5113), casts(5114), 5114, {}),
    ("R03a", casts(3652), casts(3653), 3653, {}),
    ("R03b", casts(2), casts(1), 1, {}),
    ("R05", [v(10, "review")], casts(10), 10, {"affected": False}),
    ("R05", [v(10, "review")], [v(10, "tenotomy")], 10, {"affected": False}),
    ("R05", [v(10, "review")], [scored("review", 10, 3)], 10, {"affected": False}),
    ("R06", [scored("cast", 10, 6)], [scored("cast", 10, 6.5)], 10, {}),
    ("R06", [scored("cast", 10, 0)], [scored("cast", 10, -0.5)], 10, {}),
    ("R06", [scored("cast", 10, 5.5)], [scored("cast", 10, 5.25)], 10, {}),
    ("R06", [scored("cast", 10, None, 3)], [scored("cast", 10, None, 3.5)], 10, {}),
    ("R06", [v(10, "cast", pirani_hindfoot=3)], [v(10, "cast", pirani_hindfoot=3.5)], 10, {}),
    ("R06", [scored("cast", 10, 5, 3, pirani_hindfoot=2)],
     [scored("cast", 10, 5.5, 3, pirani_hindfoot=2)], 10, {}),
    ("R06", [v(10, "cast", dimeglio_total=20)], [v(10, "cast", dimeglio_total=21)], 10, {}),
    ("R07", [scored("assessment", 10, 1), *casts(10)], [scored("assessment", 10, 0.5), *casts(10)],
     10, {}),
    ("R07", [*casts(10), scored("cast", 11, 0.5)], [*casts(11), scored("review", 11, 0.5)], 11, {}),
    ("R08", [scored("brace_fitting", 50, 1.5)], [scored("brace_fitting", 50, 2)], 50, {}),
    ("R08", [scored("brace_fitting", 50, None, 0.5)], [scored("brace_fitting", 50, None, 1)], 50,
     {}),
    ("R09", [scored("cast", 10, 3), scored("cast", 17, 4)],
     [scored("cast", 10, 3), scored("cast", 17, 4.5)], 17, {}),
    ("R10", [scored("tenotomy", 30, None, 1)], [scored("tenotomy", 30, None, 1.5)], 30, {}),
    ("R10", [scored("cast", 15, None, 2), v(30, "tenotomy")],
     [scored("cast", 16, None, 2), v(30, "tenotomy")], 30, {}),
    ("R11", casts(10, 13), casts(10, 12), 12, {}),
    ("R11", casts(10, 24), casts(10, 25), 25, {}),
    ("R12", casts(*range(10, 150, 7)), casts(*range(10, 157, 7)), 150, {}),
    ("R12a", casts(*range(10, 80, 7)), casts(*range(10, 87, 7)), 80, {}),
    ("R13", [v(10, "cast", cast_number=1), v(17, "cast", cast_number=2)],
     [v(10, "cast", cast_number=1), v(17, "cast", cast_number=3)], 17, {}),
    ("R13", [v(10, "cast", cast_number=1), v(17, "cast", cast_number=1, cast_replaced=True)],
     [v(10, "cast", cast_number=1), v(17, "cast", cast_number=1)], 17, {}),
    ("R14", [*casts(10), v(30, "tenotomy"), *casts(30), v(44, "review")],
     [*casts(10), v(30, "tenotomy"), *casts(30), v(43, "review")], 30, {}),
    ("R14", [*casts(10), v(30, "tenotomy"), *casts(30), v(65, "review")],
     [*casts(10), v(30, "tenotomy"), *casts(30), v(66, "review")], 30, {}),
    ("R14", [*casts(10), v(30, "tenotomy"), *casts(30), v(80, "brace_fitting")],
     [*casts(10), v(30, "tenotomy"), *casts(30), v(79, "brace_fitting")], 30, {}),
    ("R14", [v(30, "tenotomy"), *casts(45), v(110, "review")],
     [v(30, "tenotomy"), *casts(44), v(110, "review")], 44, {}),
    ("R15", [*casts(10), v(59, "brace_fitting")], [*casts(10), v(60, "brace_fitting")], 10, {}),
    ("R15", [*casts(10), v(31, "review"), v(45, "brace_fitting")],
     [*casts(10), v(31, "review"), v(46, "brace_fitting")], 10, {}),
    ("R16", [*FITTED, v(60, "tenotomy")], [*FITTED[:-1], v(60, "tenotomy")], 60, {}),
    ("R16", [*FITTED[:5], v(51, "brace_fitting"), v(52, "tenotomy")],
     [*FITTED[:5], v(50, "brace_fitting"), v(51, "tenotomy")], 51, {}),
    ("R18", braced((60, 12), (90, 12)), braced((59, 12), (90, 12)), 111, {}),
    ("R18", braced((150, 23)), braced((151, 23)), 203, {}),
    ("R18", braced((90, 12), (2139, 10)), braced((90, 12), (2140, 10)), 2192, {}),
    ("R19", [v(60, "review", brace_hours=24)], [v(60, "review", brace_hours=24.5)], 60, {}),
    ("R19", [v(60, "review", brace_hours=0)], [v(60, "review", brace_hours=-1)], 60, {}),
    ("R19a", braced((30, 16)), braced((30, 15.5)), 82, {}),
    ("R19a", braced((100, 12), (160, 20)), braced((100, 12), (160, 21)), 212, {}),
    ("R20", [*FITTED, v(53, "review", relapse_noted=True)],
     [*FITTED, v(52, "review", relapse_noted=True)], 52, {}),
    ("R21", [v(2922, "review", relapse_noted=True)], [v(2923, "review", relapse_noted=True)], 2923,
     {}),
    ("R22", [*FITTED, v(200, "review", relapse_noted=True), *casts(290)],
     [*FITTED, v(200, "review", relapse_noted=True), *casts(291)], (200, 291), {}),
    ("R22", [*FITTED, *casts(200), v(290, "review", relapse_noted=True)],
     [*FITTED, *casts(200), v(291, "review", relapse_noted=True)], 200, {"seen_until": 379}),
    ("R22", [*AGAIN, v(290, "review", relapse_noted=True)],
     [*AGAIN, v(291, "review", relapse_noted=True)], 291, {}),
    ("R22", [*FITTED, v(200, "review", relapse_noted=True)],
     [*FITTED, v(199, "review", relapse_noted=True)], 199, {"seen_until": 289}),
    ("R23", [v(914, "procedure", procedure="tendon_transfer")],
     [v(913, "procedure", procedure="tendon_transfer")], 913, {}),
    ("R24", [*casts(10), v(38, "cast", side="right")],
     [*casts(10), v(39, "cast", side="right")], 39, {}),
    ("R28", [v(60, "review"), v(62, "review")], [v(60, "review"), v(61, "review")], 61, {}),
    ("R28", [v(60, "review"), v(60, "assessment")],
     [v(60, "review"), v(60, "assessment"), v(60, "brace_review")], 60, {}),
    ("R29", [v(60, "review")], [v(61, "review")], 61, {"left": (60, "died")}),
    ("R30", casts(30), casts(29), 29, {"seen_until": 51}),
    ("R30", [*casts(20), v(30, "tenotomy")], [*casts(20), v(29, "tenotomy")], 29,
     {"seen_until": 58}),
    ("R30", [v(60, "review")], [v(59, "review")], 59, {"seen_until": 243}),
    ("R31", [*casts(10, 17), v(24, "tenotomy")], [*casts(10), v(24, "tenotomy")], 24, {}),
]  # fmt: skip

#: Rules that an explanation silences: course, and the explanation.
EXPLAINED = [
    ("R01", [v(9, "tenotomy"), *casts(10)], {"prior_treatment": "casts"}),
    ("R03b", casts(1), {"birth_precision": "month"}),
    ("R03b", casts(1), {"birth_precision": "year"}),
    ("R20", [v(51, "review", relapse_noted=True), *FITTED], {"prior_treatment": "surgery"}),
    ("R20", [v(40, "review", corrected_noted=True), v(45, "review", relapse_noted=True), *FITTED],
     {}),
    ("R29", [v(61, "review")], {"left": (60, "moved_away")}),
    ("R30", casts(29), {"seen_until": 51, "left": (40, "moved_away")}),
    ("R31", [*casts(10), v(24, "tenotomy")], {"prior_treatment": "unknown"}),
    ("R22", [*FITTED, *casts(290), v(250, "review", relapse_noted=True)], {}),
    ("R11", [v(10, "cast"), v(12, "cast", cast_replaced=True)], {}),
    ("R11", [*casts(10), v(17, "tenotomy"), *casts(17, 38)], {}),
    ("R11", casts(10, 67), {}),
    ("R09", [scored("cast", 10, 0.5), scored("cast", 80, 4)], {}),
    ("R11", [*casts(10, 17), *casts(12, 19, side="right")], {}),
    ("R14", [*casts(10), v(90, "review")], {}),
    ("R14", [*casts(10), v(30, "tenotomy"), *casts(30, 44), v(54, "review")], {}),
    ("R15", [*casts(10, 70), v(80, "brace_fitting")], {}),
    ("R28", [v(60, "review"), v(60, "assessment"), v(60, "review", side="right")], {}),
    ("R28", [v(60, "review"), v(61, "review", side="right")], {}),
    ("R28", [v(60, "cast"), v(61, "cast", cast_replaced=True)], {}),
    ("R16", [*FITTED, v(100, "tenotomy")], {}),
    ("R05", casts(10), {"affected": None}),
]  # fmt: skip


@pytest.mark.parametrize(
    "rule, holds, breaks, at, known", EDGES, ids=[f"{e[0]} {n}" for n, e in enumerate(EDGES)]
)
def test_a_rule_fails_one_step_beyond_its_edge_and_not_before(rule, holds, breaks, at, known):
    assert fails(rule, holds, **known) == []
    assert fails(rule, breaks, **known) == ([at] if isinstance(at, int) else [*at])


@pytest.mark.parametrize(
    "rule, visits, known", EXPLAINED, ids=[f"{e[0]} {n}" for n, e in enumerate(EXPLAINED)]
)
def test_what_is_explained_is_no_fault(rule, visits, known):
    assert fails(rule, visits, **known) == []


def test_every_rule_of_visits_and_courses_has_an_edge():
    assert {edge[0] for edge in EDGES} == set(RULES) - {"R04"}


@pytest.mark.parametrize(
    "visit, older",
    [
        (scored("cast", 10, 6.5), "yes"),
        (scored("cast", 10, 10), "yes"),
        (scored("cast", 10, 10.5), "no"),
        (scored("cast", 10, None, 3.5), "yes"),
        (v(10, "cast", pirani_hindfoot=3.5), "yes"),
        (scored("cast", 10, 5.25), "no"),
    ],
)
def test_a_score_that_fits_the_older_version_is_said_to(visit, older):
    assert f"older_version={older}" in RULES["R06"](course_of([visit])).tell()[0]


@pytest.mark.parametrize(
    "rule, visits, known, told",
    [
        ("R29", [v(67, "review")], {"left": (60, "died")}, "days_after=7"),
        ("R11", casts(10, 27), {}, "days_since_cast=17"),
        (
            "R14",
            [*casts(10), v(30, "tenotomy"), *casts(30), v(40, "review")],
            {},
            "days_in_last_cast=10",
        ),
        ("R15", [*casts(10), v(31, "review"), v(50, "brace_fitting")], {}, "days_without_brace=19"),
        ("R09", [scored("cast", 10, 3), scored("cast", 17, 5)], {}, "rise=2"),
        ("R30", casts(20), {"seen_until": 60}, "days_unseen=40"),
        ("R24", [*casts(10), v(50, "cast", side="right")], {}, "days_apart=40"),
        ("R12a", casts(*range(10, 87, 7)), {}, "n_casts=11"),
        ("R23", [v(365, "procedure", procedure="tendon_transfer")], {}, "age_years=1"),
    ],
)
def test_what_a_rule_shows_is_what_stood_there(rule, visits, known, told):
    assert RULES[rule](course_of(visits, **known)).tell() == [told]
