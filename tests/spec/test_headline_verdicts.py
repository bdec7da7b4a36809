"""Every headline indicator: at least one foot for each verdict, and the edges of its windows."""

from __future__ import annotations

import pytest
from drawn import cohort_of, drawn

from analytics.analyses.verdicts import VERDICTS, find_verdicts
from analytics.definitions.indicators import INDICATORS

CUT_OFF = "2026-01-01"  # 183 days before: 2025-07-02

CASES = {
    "initial_correction": """
        child started_on is_corrected verdict
        a     .          .            outside
        b     2025-07-03 yes          immature
        c     2025-07-02 yes          yes
        d     2025-07-02 no           no
        e     2025-01-01 .            unknown
        """,
    "tenotomy_rate": """
        child is_corrected prior_treatment has_tenotomy verdict
        a     no           none            no           outside
        b     yes          tenotomy        .            outside
        c     yes          surgery         no           outside
        d     yes          .               yes          outside
        e     yes          none            .            unknown
        f     yes          casts           no           no
        g     yes          none            yes          yes
        """,
    "dropped_out": """
        child started_on status   verdict
        a     .          lost     outside
        b     2025-07-03 lost     immature
        c     2025-07-02 lost     yes
        d     2025-07-02 departed no
        e     2025-01-01 in_care  no
        f     2025-01-01 .        unknown
        """,
    "dropped_out_casting": """
        child started_on status  phase    verdict
        a     .          lost    casting  outside
        b     2025-12-12 lost    casting  immature
        c     2025-12-11 lost    casting  yes
        d     2025-01-01 lost    bracing  no
        e     2025-01-01 in_care casting  no
        f     2025-01-01 .       .        unknown
        """,
    "dropped_out_after_tenotomy": """
        child started_on tenotomy_on status  phase          verdict
        a     2025-01-01 .           lost    casting        outside
        b     2025-01-01 2025-12-05  in_care after_tenotomy immature
        c     2025-01-01 2025-12-04  lost    after_tenotomy yes
        d     2025-01-01 2025-02-01  in_care bracing        no
        e     2025-01-01 2025-02-01  .       .              unknown
        """,
    "dropped_out_bracing": """
        child started_on brace_on   status  phase   verdict
        a     2025-01-01 .          lost    casting outside
        b     2025-01-01 2025-07-03 in_care bracing immature
        c     2025-01-01 2025-07-02 lost    bracing yes
        d     2025-01-01 2025-03-01 in_care bracing no
        e     2025-01-01 2025-03-01 .       .       unknown
        """,
}


@pytest.mark.parametrize("code", CASES)
def test_verdicts(code: str) -> None:
    table = drawn(CASES[code])
    cohort = cohort_of(table.drop(columns="verdict"), cut_off=CUT_OFF)
    found = find_verdicts(cohort, INDICATORS[code])
    assert found.tolist() == table["verdict"].tolist()
    without = {"immature"} if not INDICATORS[code].origin else set()
    assert set(VERDICTS) - without == set(found)


def test_a_child_is_lost_when_one_foot_is_and_counted_once() -> None:
    cohort = cohort_of(
        """
        child side  started_on status
        a     left  2025-01-01 in_care
        a     right 2025-01-01 lost
        b     left  2025-01-01 in_care
        b     right .          .
        """,
        cut_off=CUT_OFF,
    )
    assert find_verdicts(cohort, INDICATORS["dropped_out"]).tolist() == ["yes", "no"]
