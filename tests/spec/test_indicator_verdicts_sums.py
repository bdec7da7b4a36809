"""Every ratio and spread, and that no indicator of the catalogue is without a drawn table."""

from __future__ import annotations

import pandas as pd
import pytest
from drawn import cohort_of, drawn
from test_headline_verdicts import CASES as HEADLINE
from test_indicator_verdicts_outcome import CASES as OUTCOME
from test_indicator_verdicts_treatment import CASES as TREATMENT
from verdict_tables import CUT_OFF, check_verdicts

from analytics.analyses.verdicts import find_maturity
from analytics.definitions.indicators import INDICATORS

SUMS = """
    child {day}      {above} {below} verdict
    a     .          1       1       outside
    b     2025-12-31 .       1       unknown
    c     2025-12-31 1       .       unknown
    d     2025-12-31 0       1       yes
    e     2025-12-31 1       1       yes
    """


def sums(above: str, below: str, day: str = "started_on") -> str:
    return SUMS.format(above=above, below=below, day=day)


CASES = {
    "scored_cast_visits": sums("n_cast_visits_scored", "n_cast_visits"),
    "casting_complications": sums("n_casting_complications", "n_casts_all"),
    "casting_complications_children": """
        child side  started_on n_casting_complications verdict
        a     left  .          1                       outside
        b     left  2025-12-31 .                       unknown
        c     left  2025-12-31 0                       yes
        d     left  2025-12-31 2                       yes
        d     right 2025-12-31 .                       .
        """,
    "cast_intervals_on_time": """
        child n_intervals n_intervals_on_time verdict
        a     .           .                   outside
        b     0           0                   outside
        c     1           .                   unknown
        d     1           0                   yes
        """,
    "review_on_time": """
        child n_reviews_due n_reviews_on_time verdict
        a     .             .                 outside
        b     0             0                 outside
        c     1             .                 unknown
        d     1             0                 yes
        """,
    "reported_adherence": """
        child brace_on   n_brace_reviews n_brace_reviews_as_advised verdict
        a     .          1               1                          outside
        b     2025-12-31 .               .                          unknown
        c     2025-12-31 0               0                          unknown
        d     2025-12-31 1               .                          unknown
        e     2025-12-31 1               0                          yes
        """,
    "follow_up_completeness": """
        child side  started_on due_until_on followed_until_on verdict
        a     left  .          2025-12-31   2025-12-31        outside
        b     left  2025-12-31 2025-12-31   2025-12-31        outside
        c     left  2025-12-30 2025-12-31   .                 unknown
        d     left  2025-12-30 2025-12-31   2025-12-30        yes
        """,
    "casts_to_correction": """
        child is_corrected prior_treatment n_casts verdict
        a     no           none            5       outside
        b     yes          casts           5       outside
        c     yes          none            .       unknown
        d     yes          none            5       yes
        """,
}

#: Every table of verdicts.
DRAWN = HEADLINE | TREATMENT | OUTCOME | CASES


@pytest.mark.parametrize("code", CASES)
def test_verdicts(code: str) -> None:
    check_verdicts(code, CASES[code])


def test_every_indicator_of_the_catalogue_is_drawn() -> None:
    assert set(DRAWN) == set(INDICATORS)


@pytest.mark.parametrize("code", [code for code, i in INDICATORS.items() if i.origin])
def test_both_sides_of_the_day_of_maturity_are_drawn(code: str) -> None:
    table = drawn(DRAWN[code])
    cohort = cohort_of(table.drop(columns="verdict"), cut_off=CUT_OFF)
    latest = pd.Timestamp(CUT_OFF) - pd.Timedelta(days=find_maturity(cohort, INDICATORS[code]))
    late_by = (cohort.feet[INDICATORS[code].origin] - latest).dt.days
    verdicts = table["verdict"]
    assert verdicts[late_by.eq(1).fillna(False)].isin(["immature", "outside"]).any()
    assert (~verdicts[late_by.eq(0).fillna(False)].isin(["immature", "outside"])).any()
