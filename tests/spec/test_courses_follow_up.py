"""Last seen, lost, departed and completed, at the cut-off."""

from __future__ import annotations

import pytest
from drawn_courses import check, feet_from

CASTING = "day purpose \n 0 cast \n 7 cast \n"
AFTER_TENOTOMY = CASTING + "14 tenotomy \n 14 cast \n"
BRACING = AFTER_TENOTOMY + "35 brace_fitting \n"


@pytest.mark.parametrize(
    ("visits", "cut_off", "expected"),
    [
        (CASTING, 7 + 20, "casting 7 in_care ."),
        (CASTING, 7 + 21, "casting 7 in_care ."),
        (CASTING, 7 + 22, "casting 7 lost 28"),
        (AFTER_TENOTOMY, 14 + 28, "after_tenotomy 14 in_care ."),
        (AFTER_TENOTOMY, 14 + 29, "after_tenotomy 14 lost 42"),
        (BRACING, 35 + 183, "bracing 35 in_care ."),
        (BRACING, 35 + 184, "bracing 35 lost 218"),
    ],
)
def test_a_foot_is_lost_when_the_limit_of_its_phase_has_passed_without_a_visit(
    visits, cut_off, expected
):
    check(feet_from(visits, cut_off=cut_off), f"phase last_seen_on status lost_on\n {expected}")


def test_a_foot_seen_out_of_the_cast_of_tenotomy_and_not_corrected_is_still_after_tenotomy():
    feet = feet_from(AFTER_TENOTOMY + "35 review", cut_off=36)
    check(feet, "is_corrected phase final_cast_days\n no after_tenotomy 21")


def test_a_relapsed_foot_last_seen_in_a_cast_is_in_casting():
    feet = feet_from(BRACING + "300 cast", cut_off=322)
    check(feet, "relapse_on phase status lost_on\n 300 casting lost 321")


def test_a_corrected_foot_without_a_brace_has_the_limit_of_bracing():
    visits = "day purpose corrected_noted \n 0 cast . \n 7 review yes"
    check(feet_from(visits, cut_off=190), "phase status\n bracing in_care")
    check(feet_from(visits, cut_off=191), "phase status\n bracing lost")


def test_an_assessed_foot_without_a_cast_is_awaited_in_casting():
    feet = feet_from("day purpose \n 0 assessment", feet="affected \n yes", cut_off=22)
    check(feet, "started_on phase status lost_on\n . casting lost 21")


def test_visits_after_the_cut_off_bring_nobody_back():
    feet = feet_from(BRACING + "400 brace_review", cut_off=399)
    check(feet, "last_seen_on status lost_on\n 35 lost 218")
    feet = feet_from(BRACING + "400 brace_review", cut_off=400)
    check(feet, "last_seen_on status lost_on\n 400 in_care .")


@pytest.mark.parametrize(
    ("why", "expected"),
    [
        ("completed", "completed 300 completed . ."),
        ("moved_away", "moved_away 300 departed . ."),
        ("declined", "declined 300 departed . ."),
        ("other", "other 300 departed . ."),
        ("died", "died 300 departed . 300"),
        ("moved_within_network", ". . lost 218 ."),
    ],
)
def test_a_stated_end_is_no_loss_and_a_move_within_the_network_no_end(why, expected):
    feet = feet_from(BRACING, departures=f"left_on why \n 300 {why}")
    check(feet, f"departure departed_on status lost_on died_on\n {expected}")


def test_an_end_after_the_cut_off_is_not_known_yet():
    departures = "left_on why \n 101 died"
    feet = feet_from(BRACING, departures=departures, cut_off=100)
    check(feet, "departure departed_on status died_on\n . . in_care .")


@pytest.mark.parametrize(
    ("why", "expected"),
    [
        ("moved_away", "lost . ."),
        ("declined", "lost . ."),
        ("completed", "completed 300 completed"),
    ],
)
def test_an_end_after_which_the_child_came_back_was_none(why, expected):
    feet = feet_from(BRACING + "400 review", departures=f"left_on why \n 300 {why}")
    check(feet, f"status departed_on departure\n {expected}")


def test_the_other_foot_coming_back_brings_the_child_back():
    feet = feet_from(
        """
        side  day purpose
        left  0   cast
        right 0   cast
        right 90  cast
        """,
        departures="left_on why \n 50 declined",
        cut_off=91,
    )
    check(feet, "side status lost_on\n left lost 21\n right in_care .")


@pytest.mark.parametrize(
    ("birth", "last", "cut_off", "expected"),
    [
        # Four years are 1461 days; the limit of bracing is 183.
        (0, 1300, 1460, "bracing in_care"),
        (0, 1300, 1461, "bracing completed"),
        (0, 1278, 2000, "bracing completed"),
        (0, 1277, 2000, "bracing lost"),
        (0, 1461, 1461, "after_bracing completed"),
        (0, 1461, 2900, "after_bracing completed"),
        (".", 1461, 2900, "bracing lost"),
    ],
)
def test_a_child_past_the_age_of_bracing_has_completed_it(birth, last, cut_off, expected):
    feet = feet_from(
        BRACING + f"{last} brace_review", children=f"birth \n {birth}", cut_off=cut_off
    )
    check(feet, f"phase status\n {expected}")


def test_a_child_braced_past_that_age_still_owes_its_full_time_phase():
    feet = feet_from(BRACING, children="birth \n -2000", cut_off=124)
    check(feet, "phase status\n bracing in_care")
    feet = feet_from(BRACING, children="birth \n -2000", cut_off=125)
    check(feet, "phase status\n bracing completed")


def test_every_line_of_a_foot_is_a_day_on_which_it_was_seen():
    feet = feet_from("day purpose \n 0 assessment \n 0 cast \n 7 review", cut_off=8)
    check(feet, "first_seen_on last_seen_on\n 0 7")
