"""On which day a foot counts as corrected, by which rule, and when it does not."""

from __future__ import annotations

import pytest
from drawn_courses import check, feet_from

from analytics.definitions.protocol import Protocol

THREE_CASTS = """
day  purpose       corrected_noted pirani_total abduction_deg dorsiflexion_deg
0    cast          .               5            .             .
7    cast          .               3            .             .
14   cast          .               2            .             .
"""
TENOTOMY = THREE_CASTS + "21 tenotomy . 2 60 -5 \n 21 cast . . . . \n"


@pytest.mark.parametrize(
    ("end", "corrected_on", "rule"),
    [
        ("21 review yes . . . \n 28 brace_fitting . 0 60 20", 21, "recorded"),
        ("21 review . 2 60 15 \n 28 brace_fitting yes . . .", 28, "recorded"),
        ("21 review . 1 . . \n 28 brace_fitting . . . .", 21, "examination"),
        ("21 review no . 60 15 \n 28 brace_fitting . . . .", 21, "examination"),
        ("21 review no 1.5 60 10 \n 28 brace_fitting . . . .", 28, "brace_fitting"),
        ("21 review . . . . \n 28 brace_fitting no 4 0 0", 28, "brace_fitting"),
    ],
)
def test_recorded_comes_before_examination_and_examination_before_the_brace(
    end, corrected_on, rule
):
    check(
        feet_from(THREE_CASTS + end),
        f"""
        is_corrected series_end corrected_on    correction_rule days_to_correction brace_on
        yes          corrected  {corrected_on}  {rule}          {corrected_on}     28
        """,
    )


@pytest.mark.parametrize(
    ("abduction", "dorsiflexion", "pirani", "rule"),
    [
        (50, 15, 2, "examination"),
        (49, 15, 2, "brace_fitting"),
        (50, 14, 2, "brace_fitting"),
        (50, ".", 2, "brace_fitting"),
        (".", ".", 1, "examination"),
        (".", ".", 1.5, "brace_fitting"),
        (0, 0, 0.5, "examination"),
    ],
)
def test_both_angles_or_the_score_reach_the_protocol(abduction, dorsiflexion, pirani, rule):
    end = f"21 review . {pirani} {abduction} {dorsiflexion} \n 28 brace_fitting . . . ."
    check(feet_from(THREE_CASTS + end), f"correction_rule\n {rule}")


def test_the_angles_of_the_protocol_in_force_decide():
    end = "21 review . 2 60 10 \n 28 brace_fitting . . . ."
    milder = Protocol(correction_dorsiflexion=10)
    check(feet_from(THREE_CASTS + end, protocol=milder), "correction_rule\n examination")


def test_an_examination_on_the_day_of_a_cast_speaks_of_the_foot_before_it():
    feet = feet_from(
        """
        day  purpose        pirani_total
        0    cast           5
        7    cast           1
        14   cast           0.5
        35   brace_fitting  .
        """
    )
    check(feet, "corrected_on correction_rule n_casts\n 35 brace_fitting 3")


@pytest.mark.parametrize(
    ("end", "corrected_on", "rule"),
    [
        # Recorded under the cast of the tenotomy: it holds from the day the cast is off.
        ("21 review yes . . . \n 42 brace_fitting . . . .", 42, "recorded"),
        # A look at the cast in the first two weeks takes nothing off.
        ("27 review . 0.5 70 15 \n 42 brace_fitting . . . .", 42, "brace_fitting"),
        ("34 review . 0.5 70 15 \n 42 brace_fitting . . . .", 42, "brace_fitting"),
        ("35 review . 0.5 70 15 \n 42 brace_fitting . . . .", 35, "examination"),
        ("27 review yes . . . \n 42 review . . . . \n 49 brace_fitting . . . .", 42, "recorded"),
        # A brace within the two weeks says that the cast is off.
        ("31 brace_fitting yes . . .", 31, "recorded"),
    ],
)
def test_after_a_tenotomy_never_before_its_cast_comes_off(end, corrected_on, rule):
    check(
        feet_from(TENOTOMY + end),
        f"corrected_on correction_rule n_casts n_casts_all\n {corrected_on} {rule} 3 4",
    )


@pytest.mark.parametrize(("again", "corrected_on"), [(77, 91), (78, 85)])
def test_the_cast_of_a_tenotomy_over_56_days_ago_is_a_usual_cast(again, corrected_on):
    end = f"{again} cast . . . . \n 85 review . 0.5 70 15 \n 91 brace_fitting . . . ."
    check(feet_from(TENOTOMY + end), f"corrected_on\n {corrected_on}")


def test_a_foot_last_seen_in_the_cast_of_its_tenotomy_is_not_corrected():
    check(
        feet_from(TENOTOMY + "21 review yes . 70 15"),
        """
        is_corrected corrected_on correction_rule series_end  phase          final_cast_days
        no           .            .               unfinished  after_tenotomy .
        """,
    )


@pytest.mark.parametrize(("cut_off", "is_corrected"), [(42, "no"), (43, "yes")])
def test_recorded_in_the_last_cast_it_stands_once_no_cast_has_followed_for_28_days(
    cut_off, is_corrected
):
    visits = THREE_CASTS.replace("14   cast          .", "14   cast          yes")
    corrected_on = "14" if is_corrected == "yes" else "."
    check(
        feet_from(visits, cut_off=cut_off),
        f"is_corrected corrected_on\n {is_corrected} {corrected_on}",
    )


@pytest.mark.parametrize(("cut_off", "is_corrected"), [(49, "no"), (50, "yes")])
def test_examined_as_corrected_it_stands_once_no_cast_has_followed_for_28_days(
    cut_off, is_corrected
):
    feet = feet_from(THREE_CASTS + "21 review . 0.5 . .", cut_off=cut_off)
    check(feet, f"is_corrected\n {is_corrected}")


@pytest.mark.parametrize(
    ("next_cast", "expected"),
    [
        (49, "n_series n_casts corrected_on recast_on\n 1 4 56 ."),
        (50, "n_series n_casts corrected_on recast_on\n 2 3 21 50"),
    ],
)
def test_a_cast_within_28_days_of_the_examination_goes_on_with_the_series(next_cast, expected):
    end = f"21 review . 1 . . \n {next_cast} cast . . . . \n 56 brace_fitting . . . ."
    check(feet_from(THREE_CASTS + end), expected)


def test_a_tenotomy_soon_after_a_good_score_is_primary():
    # Only the tight heel is left: the score already lies at the threshold.
    end = (
        "21 review . 1 60 -5 \n 24 tenotomy . . . . \n 24 cast . . . . \n 45 brace_fitting . . . ."
    )
    check(feet_from(THREE_CASTS + end), "tenotomy_on corrected_on relapse_on\n 24 45 .")


def test_recorded_out_of_the_cast_it_stands_at_once_and_a_further_cast_is_a_relapse():
    end = "21 review yes . . . \n 28 cast . . . ."
    check(
        feet_from(THREE_CASTS + end),
        "corrected_on n_casts n_series relapse_on relapse_rule\n 21 3 2 28 recast",
    )


def test_what_is_written_after_the_brace_moves_nothing():
    end = "28 brace_fitting . . . . \n 120 brace_review yes 0 70 20"
    check(
        feet_from(THREE_CASTS + end),
        "corrected_on correction_rule brace_on\n 28 brace_fitting 28",
    )


def test_what_is_written_long_after_the_examination_moves_nothing():
    end = "21 review . 0.5 . . \n 90 review yes . . ."
    check(feet_from(THREE_CASTS + end), "corrected_on correction_rule\n 21 examination")


def test_recorded_at_an_early_cast_is_no_correction():
    visits = THREE_CASTS.replace("7    cast          .", "7    cast          yes")
    check(feet_from(visits), "is_corrected corrected_on\n no .")


def test_a_foot_that_comes_back_and_is_corrected_then_was_not_corrected_by_its_first_series():
    end = "100 cast . . . . \n 107 cast . . . . \n 114 brace_fitting . . . ."
    check(
        feet_from(THREE_CASTS + end),
        """
        n_series n_casts series_end  is_corrected corrected_on days_to_correction relapse_on
        2        3       unfinished  no           114          114                .
        """,
    )


@pytest.mark.parametrize("operation", ["posterior_release", "posteromedial_release", "osteotomy"])
def test_a_foot_corrected_by_open_operation_was_not_corrected_by_casting(operation):
    feet = feet_from(
        f"""
        day  purpose        procedure     pirani_total corrected_noted
        0    cast           .             6            .
        7    cast           .             5            .
        40   procedure      {operation}   5            .
        40   cast           .             .            .
        90   review         .             0            yes
        95   brace_fitting  .             .            .
        """
    )
    check(feet, "is_corrected corrected_on relapse_on operation_on phase\n no . . 40 bracing")


@pytest.mark.parametrize(
    ("operated", "expected"),
    [
        (49, "is_corrected corrected_on relapse_on \n no . ."),
        (50, "is_corrected corrected_on relapse_on \n yes 21 50"),
    ],
)
def test_an_open_operation_within_28_days_says_that_the_foot_was_not_finished(operated, expected):
    feet = feet_from(
        f"""
        day         purpose        procedure          pirani_total corrected_noted
        0           cast           .                  5            .
        14          cast           .                  2            .
        21          review         .                  1            .
        {operated}  procedure      posterior_release  .            .
        90          brace_fitting  .                  0            yes
        """
    )
    check(feet, expected)


def test_a_foot_without_casts_has_no_course():
    feet = feet_from(
        """
        day  purpose        corrected_noted
        0    assessment     .
        50   brace_fitting  yes
        """,
        feet="child side affected \n a left yes",
    )
    check(
        feet,
        """
        started_on quarter n_casts n_casts_all is_corrected corrected_on brace_on n_series
        .          .       .       .           .            .            .        0
        """,
    )


def test_only_the_first_fitting_after_correction_begins_the_brace():
    end = "21 review yes . . . \n 25 brace_fitting . . . . \n 200 brace_fitting . . . ."
    check(
        feet_from(THREE_CASTS + end),
        "corrected_on brace_on days_to_brace\n 21 25 4",
    )
