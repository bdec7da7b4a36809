"""Every share of who comes, access, casting, tenotomy and brace, at both sides of each edge."""

from __future__ import annotations

import pytest
from verdict_tables import check_verdicts

EARLY = """
    child started_on age_start_days verdict
    a     .          {below}        outside
    b     2025-12-31 .              unknown
    c     2025-12-31 {above}        no
    d     2025-01-01 {below}        yes
    """

OF_CHILDREN = """
    child started_on {name} verdict
    a     .          {yes}  outside
    b     2025-12-31 .      unknown
    c     2025-12-31 {no}   no
    d     2025-12-31 {yes}  yes
    """

CASES = {
    "boys": OF_CHILDREN.format(name="sex", yes="male", no="female"),
    "both_feet": OF_CHILDREN.format(name="bilateral", yes="yes", no="no"),
    "not_idiopathic": OF_CHILDREN.format(name="diagnosis", yes="syndromic", no="idiopathic")
    + "e 2025-12-31 neurogenic yes\nf 2025-12-31 unknown unknown",
    "treated_before": OF_CHILDREN.format(name="prior_treatment", yes="casts", no="none")
    + "e 2025-12-31 surgery yes\nf 2025-12-31 unknown unknown",
    "severe_at_start": OF_CHILDREN.format(name="pirani_start", yes="4.5", no="4.0"),
    "early_start_6w": EARLY.format(below=42, above=43),
    "early_start_3m": EARLY.format(below=91, above=92),
    "early_start_12m": EARLY.format(below=364, above=365),
    "late_presenters": EARLY.format(below=365, above=364),
    "baseline_score": """
        child started_on pirani_start dimeglio_start verdict
        a     .          4.5          .              outside
        b     2025-12-31 .            .              no
        c     2025-12-31 0.0          .              yes
        d     2025-12-31 .            12             yes
        """,
    "many_casts": """
        child is_corrected diagnosis   prior_treatment atypical n_casts verdict
        a     no           idiopathic  none            .        9       outside
        b     yes          syndromic   none            .        9       outside
        c     yes          idiopathic  casts           .        9       outside
        d     yes          idiopathic  none            yes      9       outside
        e     yes          idiopathic  none            .        .       unknown
        f     yes          idiopathic  none            no       8       no
        g     yes          idiopathic  none            .        9       yes
        """,
    "casting_completed": """
        child started_on is_corrected departure  verdict
        a     .          .            .          outside
        b     2025-01-01 no           died       outside
        c     2025-01-01 no           moved_away outside
        d     2025-07-03 yes          .          immature
        e     2025-07-02 yes          died       yes
        f     2025-07-02 no           .          no
        g     2025-07-02 no           declined   no
        h     2025-07-02 .            .          unknown
        """,
    "initial_correction_finished": """
        child started_on is_corrected phase   status  verdict
        a     2025-01-01 no           casting lost    outside
        b     2025-01-01 no           casting departed outside
        c     2025-07-03 yes          bracing in_care immature
        d     2025-07-02 no           casting in_care no
        e     2025-07-02 yes          bracing lost    yes
        f     2025-07-02 .            bracing lost    unknown
        """,
    "casting_difficulty": """
        child started_on n_casts_replaced n_casting_complications verdict
        a     .          1                0                       outside
        b     2025-12-31 .                1                       unknown
        c     2025-12-31 0                .                       unknown
        d     2025-12-31 0                0                       no
        e     2025-12-31 1                0                       yes
        f     2025-12-31 0                1                       yes
        """,
    "tenotomy_delay": """
        child tenotomy_on days_cast_to_tenotomy verdict
        a     .           .                     outside
        b     2025-12-31  .                     unknown
        c     2025-12-31  15                    no
        d     2025-12-31  14                    yes
        """,
    "final_cast_on_time": """
        child tenotomy_on final_cast_days verdict
        a     .           21              outside
        b     2025-11-28  21              immature
        c     2025-11-27  .               unknown
        d     2025-11-27  17              no
        e     2025-11-27  18              yes
        f     2025-11-27  28              yes
        g     2025-11-27  29              no
        """,
    "repeat_tenotomy": """
        child tenotomy_on retenotomy_on last_seen_on verdict
        a     .           .             2025-12-01   outside
        b     2025-01-02  2025-03-01    2025-12-01   immature
        c     2025-01-01  2025-03-01    2025-12-01   yes
        d     2024-01-01  2024-12-31    2024-12-31   yes
        e     2024-01-01  2025-01-01    2025-01-01   no
        f     2024-01-01  .             2024-12-31   no
        g     2024-01-01  .             2024-12-30   unknown
        """,
    "tenotomy_complication": """
        child tenotomy_on tenotomy_complication verdict
        a     .           .                     outside
        b     2025-12-03  yes                   immature
        c     2025-12-02  yes                   yes
        d     2025-12-02  no                    no
        e     2025-12-02  .                     unknown
        """,
    "brace_on_time": """
        child is_corrected corrected_on brace_on   days_to_brace last_seen_on verdict
        a     no           .            .          .             2025-12-01   outside
        b     yes          2025-12-03   2025-12-03 0             2025-12-03   immature
        c     yes          2025-12-02   2025-12-02 7             2025-12-02   yes
        d     yes          2025-12-02   2025-12-02 8             2025-12-02   no
        e     yes          2025-06-01   .          .             2025-06-09   no
        f     yes          2025-06-01   .          .             2025-06-08   unknown
        g     yes          2025-06-01   2025-06-20 .             2025-07-01   unknown
        """,
    "full_time_completed": """
        child brace_on   full_time_completed verdict
        a     .          .                   outside
        b     2025-08-05 yes                 immature
        c     2025-08-04 yes                 yes
        d     2025-08-04 no                  no
        e     2025-08-04 .                   unknown
        """,
}


@pytest.mark.parametrize("code", CASES)
def test_verdicts(code: str) -> None:
    check_verdicts(code, CASES[code])


def test_a_child_is_late_only_when_both_feet_are() -> None:
    feet = """
        child side  started_on age_start_days verdict
        a     left  2025-01-01 364            {a}
        a     right 2025-01-02 365            {a}
        b     left  2025-01-01 365            {b}
        b     right 2025-01-02 366            {b}
        c     left  2025-01-01 .              unknown
        d     left  .          .              outside
        """
    check_verdicts("early_start_12m", feet.format(a="yes", b="no"))
    check_verdicts("late_presenters", feet.format(a="no", b="yes"))


def test_a_child_has_completed_when_both_feet_have() -> None:
    check_verdicts(
        "casting_completed",
        """
        child side  started_on is_corrected verdict
        a     left  2025-01-01 yes          no
        a     right 2025-01-01 no           .
        b     left  2025-01-01 yes          yes
        b     right .          .            .
        c     left  2025-01-01 yes          unknown
        c     right 2025-01-01 .            .
        d     left  2025-12-01 yes          immature
        e     left  .          .            outside
        """,
    )
