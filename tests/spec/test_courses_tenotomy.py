"""Primary tenotomy, the cast that closes it, and tenotomies that are something else."""

from __future__ import annotations

import pytest
from drawn_courses import check, feet_from, shown, visits_from

FIVE_WEEKS = """
day  purpose
0    cast
7    cast
14   cast
"""


def test_the_cast_of_the_day_of_tenotomy_closes_it():
    drawing = (
        FIVE_WEEKS
        + """
        21   cast
        21   tenotomy
        42   brace_fitting
        """
    )
    check(
        feet_from(drawing),
        """
        n_casts n_casts_all tenotomy_on has_tenotomy days_cast_to_tenotomy final_cast_days
        3       4           21          yes          7                     21
        """,
    )
    visits = visits_from(drawing)
    check(shown(visits.loc[visits["series"].notna()]), "is_after_tenotomy\n no\n no\n no\n yes")


def test_a_tenotomy_done_at_a_cast_visit_is_both():
    feet = feet_from(
        """
        day  purpose        procedure
        0    cast           .
        7    cast           .
        14   cast           tenotomy
        35   brace_fitting  .
        """
    )
    check(feet, "n_casts n_casts_all tenotomy_on corrected_on\n 2 3 14 35")


def test_a_tenotomy_visit_of_a_running_series_stands_for_its_cast():
    feet = feet_from(FIVE_WEEKS + "21 tenotomy \n 42 brace_fitting")
    check(feet, "n_casts n_casts_all tenotomy_on final_cast_days\n 3 4 21 21")


@pytest.mark.parametrize(("later", "n_all"), [(2, 4), (3, 5)])
def test_a_cast_line_within_three_days_is_the_cast_of_the_tenotomy(later, n_all):
    feet = feet_from(FIVE_WEEKS + f"21 tenotomy \n {21 + later} cast \n 44 brace_fitting")
    check(feet, f"n_casts n_casts_all\n 3 {n_all}")


def test_a_tenotomy_visit_with_a_cast_number_is_a_cast_also_when_it_is_the_first():
    feet = feet_from(
        """
        day  purpose        cast_number
        0    tenotomy       4
        21   brace_fitting  .
        """
    )
    check(feet, "started_on n_casts n_casts_all tenotomy_on corrected_on\n 0 0 1 0 21")


def test_a_tenotomy_of_a_foot_without_casts_starts_no_series():
    feet = feet_from(
        """
        day  purpose
        0    tenotomy
        21   brace_fitting
        """,
        feet="child side affected \n a left yes",
    )
    check(
        feet,
        """
        started_on n_casts tenotomy_on has_tenotomy corrected_on is_corrected series_end brace_on
        .          .       0           yes          .            .            .          .
        """,
    )


@pytest.mark.parametrize(
    ("later", "again"), [(20, "."), (21, "42"), (22, "43")], ids=["20", "21", "22"]
)
def test_a_second_tenotomy_less_than_21_days_later_is_the_same_one(later, again):
    feet = feet_from(
        FIVE_WEEKS
        + f"""
        21   tenotomy
        {21 + later} tenotomy
        80   brace_fitting
        """
    )
    check(feet, f"tenotomy_on retenotomy_on operation_on\n 21 {again} {again}")


def test_a_duplicate_tenotomy_after_the_brace_is_no_relapse():
    feet = feet_from(
        FIVE_WEEKS
        + """
        21   tenotomy
        38   brace_fitting
        40   tenotomy
        """
    )
    check(feet, "tenotomy_on corrected_on relapse_on operation_on\n 21 38 . .")


def test_a_tenotomy_after_correction_is_relapse_care():
    feet = feet_from(FIVE_WEEKS + "21 brace_fitting \n 400 tenotomy \n 421 brace_fitting")
    check(
        feet,
        """
        tenotomy_on has_tenotomy corrected_on relapse_on relapse_rule operation_on recast_on
        .           no           21           400        procedure    400          .
        """,
    )


def test_a_repeat_tenotomy_after_correction_is_both_repeat_and_relapse():
    feet = feet_from(
        FIVE_WEEKS
        + """
        21   tenotomy
        42   brace_fitting
        400  tenotomy
        """
    )
    check(feet, "tenotomy_on retenotomy_on relapse_on relapse_rule\n 21 400 400 procedure")


@pytest.mark.parametrize(
    ("prior", "has"),
    [("none", "no"), ("casts", "no"), ("unknown", "no"), (".", "no"), ("tenotomy", ".")],
)
def test_whether_tenotomy_was_done_is_not_known_when_it_was_done_elsewhere(prior, has):
    feet = feet_from(FIVE_WEEKS, children=f"child prior_treatment \n a {prior}")
    check(feet, f"has_tenotomy\n {has}")


def test_a_tenotomy_after_a_pause_and_before_correction_is_primary():
    feet = feet_from(
        FIVE_WEEKS
        + """
        100  tenotomy
        100  cast
        121  brace_fitting
        """
    )
    # The pause of 86 days leaves the first series unfinished; the foot is corrected later.
    check(
        feet,
        """
        tenotomy_on n_series n_casts series_end  is_corrected corrected_on relapse_on
        100         2        3       unfinished  no           121          .
        """,
    )
