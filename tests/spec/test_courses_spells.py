"""Follow-up cut into spells in which nothing changes."""

from __future__ import annotations

import pandas as pd
import pytest
from drawn import drawn
from drawn_courses import check, cohort_from, shown

from analytics.courses.spells import build_spells, check_spells
from analytics.definitions.protocol import Protocol
from analytics.errors import RecordsError

BRACED = "day purpose brace_use \n 0 cast . \n 10 brace_fitting . \n"


def spells_from(visits: str, *, time: int, ended: int = 0, entry: int = 0, **others: object):
    """The spells of every foot, at risk from entry to time after correction."""
    cohort = cohort_from(visits, **others)
    followed = cohort.feet.assign(entry_days=entry, time_days=time, ended=ended)
    return shown(build_spells(cohort, followed, origin="corrected_on"))


def test_a_spell_ends_where_use_or_phase_changes_and_carries_what_was_told_before():
    spells = spells_from(
        BRACED + "40 brace_review as_advised \n 160 brace_review not \n 200 brace_review partly",
        time=190,
        ended=1,
    )
    # Correction and brace on day 10; 90 days full time; the word of day 200 explains nothing
    # that happened on that day.
    check(
        spells,
        """
        child side start_days stop_days ended adherence  brace_phase
        a     left 0          30        0     unrecorded full_time
        a     left 30         90        0     as_advised full_time
        a     left 90         150       0     as_advised nights
        a     left 150        190       1     not        nights
        """,
    )


def test_an_old_word_no_longer_holds():
    protocol = Protocol(lost_bracing_days=50)
    spells = spells_from(
        BRACED + "20 brace_review not \n 69 brace_review not \n 119 brace_review partly",
        time=300,
        protocol=protocol,
    )
    check(
        spells,
        """
        start_days stop_days adherence
        0          10        unrecorded
        10         59        not
        59         90        not
        90         109       not
        109        159       partly
        159        300       unrecorded
        """,
    )


def test_before_the_brace_and_past_its_age():
    visits = "day purpose corrected_noted \n 0 cast . \n 10 review yes \n 30 brace_fitting ."
    spells = spells_from(visits, time=1500, children="birth \n 0")
    check(
        spells,
        """
        start_days stop_days brace_phase
        0          20        before_brace
        20         110       full_time
        110        1451      nights
        1451       1500      over
        """,
    )


def test_late_entry_begins_with_what_was_known_then():
    spells = spells_from(BRACED + "40 brace_review not", time=60, entry=45)
    check(spells, "start_days stop_days adherence\n 45 60 not")


def test_feet_keep_their_place_and_child():
    cohort = cohort_from(
        """
        child side  day purpose       brace_use
        a     left  0   cast          .
        a     left  10  brace_fitting .
        b     right 0   cast          .
        b     right 10  brace_fitting .
        b     right 20  brace_review  partly
        """
    )
    followed = cohort.feet.assign(entry_days=0, time_days=30, ended=0).iloc[::-1]
    spells = build_spells(cohort, followed, origin="corrected_on")
    check(
        shown(spells),
        """
        foot child side  start_days stop_days adherence
        1    b     right 0          10        unrecorded
        1    b     right 10         30        partly
        0    a     left  0          30        unrecorded
        """,
    )


def test_no_feet_make_no_spells():
    assert spells_from(BRACED, time=0, entry=0).empty


@pytest.mark.parametrize(
    ("rows", "fault"),
    [
        ("1 0 10 0 \n 1 9 20 0", "1 overlapping"),
        ("1 0 10 0 \n 1 11 20 0", "1 after a gap"),
        ("1 0 10 1 \n 1 10 20 0", "1 after an end"),
        ("1 5 5 0", "1 empty"),
        ("1 0 10 2 \n 1 12 20 1", "1 after a gap, 1 after an end"),
    ],
)
def test_spells_at_fault_are_refused(rows, fault):
    spells = drawn("foot start_days stop_days ended \n" + rows).astype("int64")
    with pytest.raises(RecordsError, match=fault):
        check_spells(spells)


def test_spells_of_different_feet_need_not_meet():
    spells = drawn("foot start_days stop_days ended \n 1 0 10 1 \n 2 0 5 0").astype("int64")
    assert check_spells(spells) is None
    assert check_spells(pd.DataFrame(columns=list(spells.columns), dtype="int64")) is None
