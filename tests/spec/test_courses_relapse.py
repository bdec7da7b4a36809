"""Relapse after correction: what counts, which source came first, and between which visits."""

from __future__ import annotations

import pytest
from drawn_courses import check, feet_from

from analytics.definitions.protocol import Protocol

COLUMNS = "day purpose relapse_noted procedure pirani_total dimeglio_total relapse_varus\n"
CORRECTED = COLUMNS + "0 cast . . 5 14 . \n 7 cast . . 3 8 . \n 14 brace_fitting no . 0.5 2 . \n"


@pytest.mark.parametrize(
    ("visits", "on", "rule"),
    [
        ("100 brace_review yes . . . .", 100, "noted"),
        ("100 review . . . . yes", 100, "noted"),
        ("100 cast . . . . .", 100, "recast"),
        ("100 tenotomy . . . . .", 100, "procedure"),
        ("100 procedure . tenotomy . . .", 100, "procedure"),
        ("100 procedure . tendon_lengthening . . .", 100, "procedure"),
        ("100 procedure . tendon_transfer . . .", 100, "procedure"),
        ("100 procedure . posterior_release . . .", 100, "procedure"),
        ("100 procedure . posteromedial_release . . .", 100, "procedure"),
        ("100 procedure . osteotomy . . .", ".", "."),
        ("100 procedure . other . . .", ".", "."),
        ("100 brace_review no . . . .", ".", "."),
        ("100 brace_review . . . . .", ".", "."),
        ("100 brace_fitting . . . . .", ".", "."),
    ],
)
def test_noted_cast_again_or_operated_on_is_relapse(visits, on, rule):
    check(feet_from(CORRECTED + visits), f"relapse_on relapse_rule\n {on} {rule}")


def test_the_first_source_decides_and_every_source_keeps_its_day():
    feet = feet_from(
        CORRECTED
        + """
        60   brace_review no  .               .  .  .
        120  brace_review yes .               .  .  .
        127  cast         .   .               .  .  .
        134  cast         .   .               .  .  .
        141  procedure    .   tendon_transfer .  .  .
        300  brace_review yes .               .  .  .
        """
    )
    check(
        feet,
        """
        relapse_free_on relapse_on relapse_rule relapse_noted_on relapse_treated_on recast_on
        60              120        noted        120              127                127
        """,
    )
    check(feet, "transfer_on operation_on release_on\n 141 141 .")


def test_noted_and_cast_on_one_day_counts_as_noted():
    feet = feet_from(CORRECTED + "100 cast . . . . . \n 100 review yes . . . .")
    check(feet, "relapse_on relapse_rule recast_on\n 100 noted 100")


def test_the_interval_begins_at_correction_when_no_visit_lies_between():
    feet = feet_from(CORRECTED + "400 brace_review yes . . . .")
    check(feet, "corrected_on relapse_free_on relapse_on\n 14 14 400")


def test_without_relapse_the_foot_was_free_when_last_seen():
    feet = feet_from(CORRECTED + "100 brace_review . . . . . \n 200 review no . . . .")
    check(feet, "relapse_on relapse_free_on last_seen_on\n . 200 200")


def test_deformity_before_or_at_correction_is_no_relapse():
    visits = CORRECTED.replace("7 cast .", "7 cast yes").replace(
        "brace_fitting no", "brace_fitting yes"
    )
    check(feet_from(visits), "corrected_on relapse_on relapse_noted_on\n 14 . .")


def test_a_foot_that_was_never_corrected_cannot_relapse():
    feet = feet_from(
        COLUMNS
        + "0 cast . . . . . \n 7 cast yes . . . . \n 90 cast yes . . . . \n 97 review yes . . . ."
    )
    check(
        feet,
        "is_corrected n_series relapse_on relapse_free_on relapse_noted_on recast_on\nno 2 . . . .",
    )


def test_visits_after_the_cut_off_are_not_known_yet():
    visits = CORRECTED + "100 review no . . . . \n 200 review yes . . . ."
    check(feet_from(visits, cut_off=199), "relapse_on last_seen_on\n . 100")
    check(feet_from(visits, cut_off=200), "relapse_on last_seen_on\n 200 200")


@pytest.mark.parametrize(
    ("pirani", "dimeglio", "rise"),
    [(1.5, ".", "."), (2, ".", 100), (".", 5, "."), (".", 6, 100), (1.5, 6, 100)],
)
def test_a_rise_of_either_score_is_kept_apart_from_relapse(pirani, dimeglio, rise):
    feet = feet_from(CORRECTED + f"100 review no . {pirani} {dimeglio} .")
    check(feet, f"score_rise_on relapse_on\n {rise} .")


def test_the_score_rises_above_its_lowest_since_the_end_of_casting():
    visits = CORRECTED + "60 review . . 0 . . \n 100 review . . 1.5 . . \n 150 review . . 1 . ."
    check(feet_from(visits), "score_rise_on\n 100")
    check(feet_from(visits, protocol=Protocol(relapse_pirani_rise=2.0)), "score_rise_on\n .")


def test_the_lowest_score_of_one_foot_says_nothing_of_the_next():
    feet = feet_from(
        """
        child day purpose        pirani_total
        a     0   cast           4
        a     7   brace_fitting  0
        a     100 review         0
        b     0   cast           4
        b     7   brace_fitting  2
        b     100 review         2
        """
    )
    check(feet, "child score_rise_on\n a . \n b .")


def test_a_score_of_casting_does_not_count_as_lowest():
    # The 0 at the second cast is followed by 1 at correction: 2 is a rise of 1, not of 2.
    visits = COLUMNS + (
        "0 cast . . 0 . . \n 7 cast . . 3 . . \n 14 brace_fitting . . 1 . . \n 100 review . . 2 . ."
    )
    check(feet_from(visits), "score_rise_on\n .")


@pytest.mark.parametrize(
    ("procedure", "operated"),
    [("osteotomy", 100), ("other", 100), ("tendon_lengthening", 100), ("tendon_transfer", 100)],
)
def test_every_operation_beyond_casting_and_one_tenotomy_is_dated(procedure, operated):
    feet = feet_from(CORRECTED + f"100 procedure . {procedure} . . .")
    check(feet, f"operation_on\n {operated}")


def test_casting_again_is_no_operation():
    check(feet_from(CORRECTED + "100 cast . . . . ."), "recast_on operation_on\n 100 .")
