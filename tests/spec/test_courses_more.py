"""Edges of courses that the other drawn tables leave open."""

from __future__ import annotations

import pytest
from drawn_courses import check, feet_from


@pytest.mark.parametrize(("again", "relapse_on"), [(41, "."), (42, "42")])
def test_a_tenotomy_after_correction_is_a_relapse_from_21_days_after_the_first(again, relapse_on):
    feet = feet_from(
        f"""
        day      purpose
        0        cast
        7        cast
        21       tenotomy
        38       brace_fitting
        {again}  tenotomy
        """
    )
    check(feet, f"corrected_on relapse_on\n 38 {relapse_on}")


def test_casts_after_an_open_operation_do_not_make_it_a_correction_by_casting():
    feet = feet_from(
        """
        day  purpose        procedure
        0    cast           .
        40   procedure      posteromedial_release
        47   cast           .
        68   brace_fitting  .
        """
    )
    check(feet, "is_corrected corrected_on\n no .")


def test_a_brace_begins_a_new_series_also_after_an_open_operation():
    feet = feet_from(
        """
        day  purpose        procedure
        0    cast           .
        10   procedure      posterior_release
        30   brace_fitting  .
        40   cast           .
        """
    )
    check(feet, "n_series n_casts\n 2 1")


def test_a_replaced_cast_after_tenotomy_is_not_among_those_before():
    feet = feet_from(
        """
        day  purpose        cast_replaced
        0    cast           no
        7    tenotomy       .
        7    cast           no
        12   cast           yes
        28   brace_fitting  .
        """
    )
    check(feet, "n_casts n_casts_all n_casts_replaced\n 1 3 0")
