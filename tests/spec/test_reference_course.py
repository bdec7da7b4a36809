"""A course as it is usually meant to go, through the rules of intake and the courses.

From common practice of the trade, without a source: casts every 5-7 days, begun in the first days
of life; cavus, then adduction and varus together; about 30 degrees of abduction with 20 of equinus
left at the fourth cast; tenotomy when only equinus is left; a last cast at 70 degrees of abduction
and 15 of dorsiflexion for three weeks; then the brace full time for three months.
"""

from __future__ import annotations

import pandas as pd
import pytest
from drawn_courses import check, on, records_of, shown

from analytics.courses.build import build_cohort
from analytics.definitions.protocol import Protocol
from analytics.intake.course import Frame
from analytics.intake.screen import screen

EXTRACT = 310
BIRTH = -5

#: One foot; the other one is treated at the same visits.
FOOT = """
key   day purpose       cast_number pirani_midfoot pirani_hindfoot abduction_deg dorsiflexion_deg brace_hours brace_use
first 0   cast          1           3              2.5             -30           -40              .           .
two   6   cast          2           2              2.5             -10           -35              .           .
three 12  cast          3           1              2.5             10            -25              .           .
four  18  cast          4           0.5            2.5             30            -20              .           .
cut   25  tenotomy      .           0              2               60            -15              .           .
last  25  cast          5           .              .               70            15               .           .
brace 46  brace_fitting .           0              0.5             70            15               .           .
r1    60  brace_review  .           .              .               .             .                23          as_advised
r2    90  brace_review  .           .              .               .             .                23          as_advised
r3    136 brace_review  .           0              0.5             70            20               23          as_advised
r4    230 brace_review  .           0              0               70            20               13          as_advised
"""  # noqa: E501


def visits_of(**changes: dict[str, object]) -> pd.DataFrame:
    """Visits of both feet; a change is the key of a line and its new cells, ``None`` to drop it."""
    lines = [line.split() for line in FOOT.strip().splitlines()]
    table = pd.DataFrame(lines[1:], columns=lines[0]).set_index("key")
    for key, cells in changes.items():
        if cells is None:
            table = table.drop(key)
            continue
        for name, value in cells.items():
            table.loc[key, name] = value
    table["pirani_total"] = [
        "." if "." in (m, h) else str(float(m) + float(h))
        for m, h in zip(table["pirani_midfoot"], table["pirani_hindfoot"], strict=True)
    ]
    feet = [table.assign(side=side) for side in ("left", "right")]
    both = pd.concat(feet, ignore_index=True).astype("string")
    return both.mask(both == ".")


def records(visits: pd.DataFrame, *, birth: int = BIRTH):
    return records_of(
        visits,
        children=f"birth prior_treatment sex \n {birth} none female",
        feet="side affected \n left yes \n right yes",
    )


def flags(visits: pd.DataFrame, *, birth: int = BIRTH, extract: int = EXTRACT) -> set[str]:
    """Return the codes of all rules that a course breaks."""
    given = records(visits, birth=birth)
    pieces = given.visits.assign(
        reason=pd.array([pd.NA] * len(visits), dtype="string"), piece="", seq=range(len(visits))
    )
    facts = {
        "children": given.children.assign(link=pd.array([pd.NA], dtype="string")),
        "feet": given.feet,
        "departures": given.departures,
    }
    screened = screen(pieces, facts, Frame(Protocol(), on(extract)))
    return {rule for part in screened.flags if len(part) for rule in part["rule"]}


def test_the_course_is_what_it_was():
    cohort = build_cohort(records(visits_of()), on(EXTRACT), Protocol())
    check(
        shown(cohort.feet),
        """
        side  age_start_days bilateral n_casts n_casts_all n_intervals_on_time n_casts_misnumbered
        left  5              yes       4       5           4                   0
        right 5              yes       4       5           4                   0
        """,
    )
    check(
        shown(cohort.feet),
        """
        started_on tenotomy_on has_tenotomy days_cast_to_tenotomy final_cast_days severity_band
        0          25          yes          7                     21              severe
        0          25          yes          7                     21              severe
        """,
    )
    check(
        shown(cohort.feet),
        """
        corrected_on correction_rule is_corrected brace_on days_to_brace full_time_completed
        46           examination     yes          46       0             yes
        46           examination     yes          46       0             yes
        """,
    )
    check(
        shown(cohort.feet),
        """
        relapse_on relapse_free_on adherence_early phase   status  n_series n_interruptions
        .          230             as_advised      bracing in_care 1        0
        .          230             as_advised      bracing in_care 1        0
        """,
    )


def test_the_course_breaks_no_rule():
    assert flags(visits_of()) == set()


@pytest.mark.parametrize("shift", [-1, 1])
def test_a_day_more_or_less_between_casts_breaks_no_rule(shift):
    assert flags(visits_of(three={"day": 12 + shift})) == set()


MOVED = {
    "a cast left on for 18 days": ("R11", {"first": {"day": -12}}, {"birth": -17}),
    "a cast changed after 2 days": ("R11", {"two": {"day": 10}}, {}),
    "begun on the first day of life": ("R03b", {}, {"birth": -1}),
    "a cast number left out": ("R13", {"four": {"cast_number": 5}, "last": {"cast_number": 6}}, {}),
    "hardly clubfoot at the start": (
        "R07",
        {
            "first": {"pirani_midfoot": 0, "pirani_hindfoot": 0.5},
            "two": {"pirani_midfoot": 0.5, "pirani_hindfoot": 1},
            "three": {"pirani_midfoot": 1, "pirani_hindfoot": 1},
            "four": {"pirani_midfoot": 0.5, "pirani_hindfoot": 1},
        },
        {},
    ),
    "worse from one cast to the next": ("R09", {"two": {"pirani_midfoot": 1.5},
                                                "three": {"pirani_midfoot": 3}}, {}),
    "tenotomy with the midfoot uncorrected": ("R10", {"cut": {"pirani_midfoot": 1.5}}, {}),
    "the last cast off after 10 days": (
        "R14", {"brace": {"day": 35}, "r3": {"day": 130}}, {}
    ),
    "the last cast off after 36 days": ("R14", {"brace": {"day": 61}, "r1": {"day": 75},
                                                "r3": {"day": 151}, "r4": {"day": 240}}, {}),
    "not corrected at brace fitting": ("R08", {"brace": {"pirani_hindfoot": 2}}, {}),
    "the midfoot not corrected at brace fitting": ("R08", {"brace": {"pirani_midfoot": 1}}, {}),
    "the brace two months after the last cast": (
        "R15", {"brace": {"day": 85}, "r1": {"day": 99}, "r2": {"day": 130}, "r3": {"day": 175}},
        {},
    ),
    "full time ended after two weeks and never resumed": (
        "R18", {f"r{i}": {"brace_hours": 12} for i in (1, 2, 3, 4)}, {}
    ),
    "full time still after six months": ("R18", {"r4": {"brace_hours": 23}}, {}),
    "too few hours once in the full-time phase": ("R19a", {"r1": {"brace_hours": 12}}, {}),
    "more hours than a day has": ("R19", {"r2": {"brace_hours": 25}}, {}),
    "a relapse before correction": ("R20", {"four": {"relapse_noted": "yes"}}, {}),
    "an untreated relapse": ("R22", {"r2": {"relapse_noted": "yes"}}, {}),
    "a second tenotomy two weeks later": (
        "R16", {"r1": {"day": 39, "purpose": "tenotomy",
                                            "brace_hours": ".", "brace_use": "."}}, {}
    ),
    "tenotomy at the first visit": ("R31", {"first": None, "two": None, "three": None,
                                            "four": None, "last": {"cast_number": 1}}, {}),
    "not seen for a year": ("R30", {}, {"extract": 230 + 365}),
    "born after the first cast": ("R01", {}, {"birth": 1}),
    "a score beyond the scale": ("R06", {"first": {"pirani_midfoot": 3.5}}, {}),
    "a visit after the export": ("R02", {}, {"extract": 229}),
}  # fmt: skip


@pytest.mark.parametrize("moved", MOVED, ids=MOVED)
def test_each_feature_out_of_its_tolerance_raises_exactly_its_own_flag(moved):
    rule, changes, days = MOVED[moved]
    assert flags(visits_of(**changes), **days) == {rule}


def test_one_foot_begun_a_month_later_raises_exactly_its_own_flag():
    visits = visits_of()
    later = visits["side"] == "right"
    visits.loc[later, "day"] = (visits.loc[later, "day"].astype(int) + 29).astype("string")
    assert flags(visits) == {"R24"}
