"""Which feet become rows, to whom they belong, and how stiff they were at the start."""

from __future__ import annotations

import pandas as pd
import pytest
from drawn_courses import LATE, check, cohort_from, feet_from, on, records_of, shown

from analytics.courses.build import build_cohort
from analytics.definitions.foot_facts import FOOT
from analytics.definitions.protocol import Protocol

ONE_CAST = "day purpose \n 0 cast"


def test_no_visits_make_an_empty_cohort_with_every_column():
    cohort = cohort_from()
    assert list(cohort.feet.columns) == [column.name for column in FOOT]
    assert {n: str(t) for n, t in cohort.feet.dtypes.items()} == {c.name: c.dtype for c in FOOT}
    assert len(cohort.feet) == len(cohort.uses) == 0


def test_a_cut_off_before_the_first_visit_makes_an_empty_cohort():
    assert cohort_from("day purpose \n 10 cast", cut_off=9).feet.empty
    assert len(cohort_from("day purpose \n 10 cast", cut_off=10).feet) == 1


def test_every_column_has_its_declared_type():
    feet = cohort_from(ONE_CAST).feet
    assert {n: str(t) for n, t in feet.dtypes.items()} == {c.name: c.dtype for c in FOOT}


def test_feet_said_to_be_affected_or_cast_become_rows():
    feet = feet_from(
        """
        child side  day purpose
        a     left  0   cast
        b     left  0   assessment
        c     left  0   assessment
        d     left  0   assessment
        e     left  0   cast
        """,
        feet="""
        child side  affected
        b     left  yes
        c     left  no
        d     left  .
        e     left  no
        f     left  yes
        """,
    )
    # a and e are in a cast; d was never said to be affected; f was never seen.
    check(feet, "child started_on\n a 0\n b .\n e 0")


@pytest.mark.parametrize(
    ("other", "bilateral"), [("yes", "yes"), ("no", "no"), (".", "."), ("", "no")]
)
def test_bilateral_is_open_only_when_the_other_foot_was_mentioned(other, bilateral):
    feet = "side affected \n left yes \n" + (f"right {other}" if other else "")
    check(feet_from(ONE_CAST, feet=feet), f"side bilateral\n left {bilateral}")


def test_a_line_of_a_foot_that_names_no_side_says_nothing_of_another_child():
    feet = feet_from(
        "child side day purpose \n a left 0 cast \n b left 0 cast",
        feet="child side affected \n b . yes",
    )
    check(feet, "child side bilateral\n a left no\n b left no")


def test_a_visit_of_the_other_foot_mentions_it():
    feet = feet_from("side day purpose \n left 0 cast \n right 0 assessment")
    check(feet, "side bilateral\n left .")


def test_a_child_seen_in_two_clinics_is_one_course_of_the_first():
    cohort = cohort_from(
        """
        clinic  day  purpose
        A       0    assessment
        B       7    cast
        B       14   cast
        A       21   cast
        A       28   brace_fitting
        """,
        clinics="clinic country \n A AA \n B BB",
        departures="left_on why \n 15 moved_within_network",
    )
    check(shown(cohort.feet), "clinic country n_casts status departure\n B BB 3 lost .")


def test_a_foot_without_a_cast_belongs_to_the_clinic_of_its_first_visit():
    feet = feet_from("clinic day purpose \n B 5 review \n C 3 assessment", feet="affected \n yes")
    check(feet, "clinic country started_on\n C . .")


def test_facts_of_the_child_and_foot_are_looked_up():
    feet = feet_from(
        "child side day purpose \n a left 40 cast \n a right 40 cast \n b left 0 cast",
        children="""
        child birth sex    diagnosis   prior_treatment family_history travel_minutes enrolled_on
        a     10    female idiopathic  casts           yes            90             38
        """,
        feet="child side affected atypical \n a right yes yes",
    )
    check(
        feet,
        """
        child side  sex    diagnosis  prior_treatment travel_minutes atypical age_start_days
        a     left  female idiopathic casts           90             .        30
        a     right female idiopathic casts           90             yes      30
        b     left  .      .          .               .              .        .
        """,
    )
    check(feet, "family_history birth_on enrolled_on \n yes 10 38\n yes 10 38\n . . 0")


def test_quarter_is_that_of_the_first_cast():
    check(feet_from("day purpose \n 89 cast"), "quarter\n 2018Q1")
    check(feet_from("day purpose \n 90 cast"), "quarter\n 2018Q2")


def test_what_a_researcher_carries_along_stands_at_the_end():
    cohort = cohort_from(
        "child side day purpose \n a left 0 cast \n a right 0 cast \n b left 0 cast",
        children="child extra_village \n b hill \n a lake",
    )
    assert list(cohort.feet.columns[-1:]) == ["extra_village"]
    check(cohort.feet, "child extra_village\n a lake\n a lake\n b hill")


@pytest.mark.parametrize(
    ("total", "band"),
    [(2, "mild"), (2.5, "moderate"), (4, "moderate"), (4.5, "severe"), (".", "unknown")],
)
def test_severity_by_the_total_at_the_first_cast(total, band):
    feet = feet_from(f"day purpose pirani_total \n 0 cast {total} \n 7 cast 1")
    check(feet, f"pirani_start severity_band\n {total} {band}")


def test_the_last_score_up_to_the_first_cast_with_the_parts_of_its_day():
    feet = feet_from(
        """
        day  purpose    pirani_total pirani_midfoot pirani_hindfoot dimeglio_total
        0    assessment 6            3              3               15
        5    assessment 5            2              3               .
        9    assessment .            1              .               .
        9    cast       .            .              .               .
        16   cast       3            1              2               9
        """
    )
    check(
        feet,
        """
        pirani_start midfoot_start hindfoot_start dimeglio_start
        5            2             3              15
        """,
    )


@pytest.mark.parametrize(
    ("assessed", "cast", "start"), [("5", "4", "5"), (".", "4", "4"), ("5", ".", "5")]
)
def test_of_two_scores_of_one_day_that_of_the_first_purpose_stands(assessed, cast, start):
    drawing = "day purpose pirani_total \n 0 cast {} \n 0 assessment {}"
    check(feet_from(drawing.format(cast, assessed)), f"pirani_start\n {start}")


def test_a_missing_total_is_made_of_its_parts_and_a_missing_part_of_its_signs():
    feet = feet_from(
        """
        day purpose curved_lateral_border medial_crease talar_head pirani_hindfoot
        0   cast    1                     0.5           1          2
        """
    )
    check(feet, "pirani_start midfoot_start hindfoot_start\n 4.5 2.5 2")
    feet = feet_from("day purpose pirani_midfoot \n 0 cast 2")
    check(feet, "pirani_start severity_band\n . unknown")


def test_the_cohort_hands_on_windows_and_clinics():
    records, protocol = records_of(ONE_CAST), Protocol(lost_casting_days=14)
    cohort = build_cohort(records, on(LATE), protocol)
    assert cohort.protocol is protocol
    assert cohort.cut_off == on(LATE)
    pd.testing.assert_frame_equal(cohort.clinics, records.clinics)
    assert cohort.totals.n_children == len(records.children)
