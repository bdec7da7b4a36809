"""Which casts belong to the first series, and how they are counted."""

from __future__ import annotations

import pytest
from drawn_courses import check, feet_from, shown, visits_from


def test_weekly_casts_are_one_series():
    feet = feet_from(
        """
        day  purpose        cast_number
        0    assessment     .
        0    cast           1
        7    cast           2
        14   cast           3
        21   brace_fitting  .
        """
    )
    check(
        feet,
        """
        started_on n_series n_casts n_casts_all series_end last_cast_on n_casts_misnumbered
        0          1        3       3           corrected  14           0
        """,
    )


@pytest.mark.parametrize(
    ("gap", "expected"),
    [
        (27, "n_series n_casts n_interruptions\n 1 3 0"),
        (28, "n_series n_casts n_interruptions\n 1 3 0"),
        (29, "n_series n_casts n_interruptions\n 1 3 1"),
        (55, "n_series n_casts n_interruptions\n 1 3 1"),
        (56, "n_series n_casts n_interruptions\n 1 3 1"),
        (57, "n_series n_casts n_interruptions\n 2 2 0"),
    ],
)
def test_a_gap_over_28_days_interrupts_and_one_over_56_begins_a_new_series(gap, expected):
    feet = feet_from(
        f"""
        day      purpose
        0        cast
        7        cast
        {7 + gap} cast
        """
    )
    check(feet, expected)


def test_a_cast_after_a_brace_fitting_begins_a_new_series_however_soon():
    drawing = """
        day  purpose
        0    cast
        7    cast
        14   brace_fitting
        17   cast
        24   cast
        """
    check(
        shown(visits_from(drawing)),
        """
        visited_on purpose        series cast_order
        0          cast           1      1
        7          cast           1      2
        14         brace_fitting  .      .
        17         cast           2      1
        24         cast           2      2
        """,
    )
    check(feet_from(drawing), "n_series n_casts corrected_on recast_on\n 2 2 14 17")


def test_a_cast_on_the_day_of_a_brace_fitting_came_before_the_brace():
    feet = feet_from(
        """
        day  purpose
        0    cast
        7    brace_fitting
        7    cast
        14   cast
        """
    )
    check(feet, "n_series n_casts corrected_on recast_on\n 2 2 7 14")


def test_replaced_casts_are_counted_and_marked():
    feet = feet_from(
        """
        day  purpose cast_number cast_replaced complication
        0    cast    1           no            none
        7    cast    2           .             .
        9    cast    2           yes           cast_slippage
        16   cast    3           no            skin_lesion
        """
    )
    check(
        feet,
        """
        n_casts n_casts_replaced n_casts_misnumbered n_casting_complications
        4       1                0                   2
        """,
    )


def test_recorded_numbers_are_compared_and_never_counted():
    feet = feet_from(
        """
        day  purpose cast_number
        0    cast    3
        7    cast    4
        14   cast    7
        21   cast    .
        28   cast    1
        """
    )
    # Counting may begin at 3 (casts elsewhere); the step to 7 is wrong; after a gap in the
    # numbers there is nothing to compare with.
    check(feet, "n_casts n_casts_misnumbered\n 5 1")


def test_two_lines_of_one_day_are_one_cast_and_one_complication():
    feet = feet_from(
        """
        day  purpose  cast_number complication
        0    cast     1           .
        7    cast     2           skin_lesion
        7    review   .           skin_lesion
        7    procedure .          swelling
        """
    )
    check(feet, "n_casts n_cast_visits n_casting_complications\n 2 2 2")


@pytest.mark.parametrize(
    ("gap", "on_time"), [(4, 0), (5, 1), (9, 1), (10, 0)], ids=["4", "5", "9", "10"]
)
def test_intervals_of_5_to_9_days_are_on_time(gap, on_time):
    feet = feet_from(
        f"""
        day    purpose
        0      cast
        {gap}  cast
        """
    )
    check(feet, f"n_intervals n_intervals_on_time\n 1 {on_time}")


def test_the_weeks_in_the_cast_after_tenotomy_are_no_interval():
    feet = feet_from(
        """
        day  purpose
        0    cast
        7    cast
        14   tenotomy
        14   cast
        35   cast
        """
    )
    check(feet, "n_casts n_casts_all n_intervals n_intervals_on_time\n 2 4 2 2")


def test_scores_at_cast_visits_are_counted_from_any_line_of_the_day():
    feet = feet_from(
        """
        day  purpose    pirani_total dimeglio_total
        0    assessment 5            .
        0    cast       .            .
        7    cast       .            12
        14   cast       .            .
        """
    )
    check(feet, "n_cast_visits n_cast_visits_scored\n 3 2")


def test_two_feet_of_one_visit_are_two_rows():
    feet = feet_from(
        """
        side   day  purpose
        left   0    cast
        right  0    cast
        left   7    cast
        right  7    cast
        left   14   cast
        """
    )
    check(feet, "child side n_casts bilateral\n a left 3 yes\n a right 2 yes")
