"""Use of the brace as told, the full-time phase, and the result at the end of bracing."""

from __future__ import annotations

import pytest
from drawn_courses import check, feet_from, shown, visits_from

BRACED = "day purpose brace_use brace_hours \n 0 cast . . \n 7 brace_fitting . . \n"


def told(*uses: str) -> str:
    """A brace review every 10 days after correction on day 7."""
    return BRACED + "\n".join(f"{17 + 10 * i} brace_review {use} ." for i, use in enumerate(uses))


@pytest.mark.parametrize(
    ("uses", "level"),
    [
        (["as_advised"] * 4 + ["not"], "as_advised"),
        (["as_advised"] * 7 + ["partly"] * 2, "partly"),
        (["as_advised", "not"], "partly"),
        (["partly"], "partly"),
        (["not", "not", "as_advised"], "not"),
        (["not", "not", "as_advised", "partly"], "partly"),
        ([".", ".", "as_advised"], "as_advised"),
        ([".", "."], "unrecorded"),
        ([], "unrecorded"),
    ],
)
def test_early_use_is_told_in_one_word(uses, level):
    check(feet_from(told(*uses)), f"adherence_early\n {level}")


@pytest.mark.parametrize(("day", "level"), [(190, "not"), (191, "unrecorded")])
def test_early_use_is_told_within_183_days_of_correction(day, level):
    check(
        feet_from(BRACED + f"{day} brace_review not ."), f"corrected_on adherence_early\n 7 {level}"
    )


def test_use_told_on_the_day_of_correction_is_not_use_of_this_brace():
    visits = BRACED.replace("7 brace_fitting . .", "7 brace_fitting not .")
    check(feet_from(visits), "adherence_early n_brace_reviews\n unrecorded 0")


def test_an_uncorrected_foot_has_no_early_use():
    check(feet_from("day purpose brace_use \n 0 cast . \n 7 review not"), "adherence_early\n .")


@pytest.mark.parametrize(
    ("day", "hours", "use"),
    [
        (97, 16, "as_advised"),
        (97, 15.5, "partly"),
        (98, 15.5, "as_advised"),
        (98, 10, "as_advised"),
        (98, 9.5, "partly"),
        (98, 0, "not"),
        (97, 0, "not"),
        (97, ".", "."),
    ],
)
def test_hours_speak_by_phase_where_no_use_is_recorded(day, hours, use):
    visits = visits_from(BRACED + f"{day} brace_review . {hours}")
    check(shown(visits).tail(1).reset_index(drop=True), f"use_told\n {use}")


def test_recorded_use_goes_before_hours():
    check(feet_from(BRACED + "60 brace_review partly 23"), "adherence_early\n partly")


def test_reviews_with_use_told_are_counted():
    feet = feet_from(BRACED + "20 brace_review as_advised . \n 40 review . 3 \n 60 review . .")
    check(feet, "n_brace_reviews n_brace_reviews_as_advised\n 2 1")


@pytest.mark.parametrize(
    ("reviews", "completed"),
    [
        ("66 brace_review as_advised .", "no"),
        ("67 brace_review as_advised .", "yes"),
        ("157 brace_review partly .", "yes"),
        ("158 brace_review as_advised .", "no"),
        ("100 brace_review not .", "no"),
        ("100 brace_review . .", "."),
        ("100 brace_review . 0", "no"),
        ("100 brace_review . 12", "yes"),
        ("100 brace_fitting . .", "yes"),
        ("80 brace_review not . \n 120 brace_review as_advised .", "yes"),
        ("80 brace_review as_advised . \n 120 brace_review not .", "no"),
        ("80 brace_review as_advised . \n 120 brace_review . .", "yes"),
        ("", "no"),
    ],
)
def test_full_time_is_completed_when_seen_braced_60_to_150_days_after_fitting(reviews, completed):
    check(feet_from(BRACED + reviews), f"full_time_completed\n {completed}")


@pytest.mark.parametrize(("cut_off", "completed"), [(156, "."), (157, "yes")])
def test_full_time_is_open_until_the_window_has_passed(cut_off, completed):
    feet = feet_from(BRACED + "100 brace_review as_advised .", cut_off=cut_off)
    check(feet, f"full_time_completed\n {completed}")


def test_full_time_stays_open_for_a_child_that_left_before():
    departures = "left_on why \n 120 moved_away"
    feet = feet_from(BRACED + "100 brace_review as_advised .", departures=departures)
    check(feet, "full_time_completed\n .")


def test_without_a_brace_nothing_is_said_about_it():
    feet = feet_from("day purpose corrected_noted \n 0 cast . \n 7 review yes")
    check(
        feet,
        """
        brace_on days_to_brace n_brace_reviews n_brace_reviews_as_advised full_time_completed
        .        .             .               .                          .
        """,
    )


OUTCOME = "day purpose plantigrade ordinary_shoe pain caregiver_satisfied\n"
FOUR_YEARS = 1461


@pytest.mark.parametrize(
    ("answers", "good"),
    [
        ("yes yes no yes", "yes"),
        ("no yes no yes", "no"),
        ("yes no no yes", "no"),
        ("yes yes yes yes", "no"),
        ("yes yes no no", "no"),
        (". yes no yes", "."),
        (". yes yes .", "no"),
        (". . . .", "."),
    ],
)
def test_a_good_result_is_good_in_all_four_respects(answers, good):
    visits = OUTCOME + f"0 cast . . . . \n 7 brace_fitting . . . . \n {FOUR_YEARS} review {answers}"
    check(feet_from(visits, children="birth \n 0"), f"good_result\n {good}")


def test_the_result_is_read_at_the_first_visit_after_bracing_ended():
    visits = (
        OUTCOME + "0 cast . . . . \n 7 brace_fitting . . . . \n"
        f"{FOUR_YEARS - 1} review no no yes no \n {FOUR_YEARS + 30} review . . . . \n"
        f"{FOUR_YEARS + 60} review yes yes no yes \n {FOUR_YEARS + 400} review no yes no yes"
    )
    check(feet_from(visits, children="birth \n 0"), "good_result phase\n yes after_bracing")


def test_the_result_of_a_child_that_completed_care_earlier_is_read_at_its_last_visit():
    visits = OUTCOME + "0 cast . . . . \n 7 brace_fitting . . . . \n 1300 review yes yes no yes"
    early = {"children": "birth \n 0", "departures": "left_on why \n 1310 completed"}
    check(feet_from(visits, **early), "good_result status\n yes completed")
    check(feet_from(visits, children="birth \n 0"), "good_result\n .")
