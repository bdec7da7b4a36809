"""Every share of follow-up, lasting result and records, and every curve at its horizon."""

from __future__ import annotations

import pytest
from verdict_tables import check_verdicts

MISSING = """
    child started_on {name} verdict
    a     .          .      outside
    b     2025-12-31 .      yes
    c     2025-12-31 {code} no
    """

#: Day of origin, and days of the event or the last visit at both sides of a horizon.
FREE = """
    child corrected_on {event} {competing} last_seen_on verdict
    a     .            .       .           2025-01-01   outside
    b     2010-01-01   .       2010-06-01  2010-05-01   outside
    c     {young}      .       .           2026-01-01   immature
    d     {ripe}       .       .           2025-12-31   unknown
    e     {ripe}       .       .           2026-01-01   yes
    f     {ripe}       2026-01-01 .        2026-01-01   no
    g     2015-01-01   2025-01-01 .        2025-01-01   yes
    h     2015-01-01   .       2025-01-01  2025-01-01   yes
    """


def free(young: str, ripe: str, *, event: str = "relapse_on") -> str:
    return FREE.format(event=event, competing="died_on", young=young, ripe=ripe)


STAYS = """
    child brace_on lost_on    relapse_on due_until_on verdict
    a     .        .          .          2026-01-01   outside
    b     {ripe}   .          2024-12-31 2026-01-01   {relapsed}
    c     {young}  .          .          2026-01-01   immature
    d     {ripe}   .          .          2025-12-31   unknown
    e     {ripe}   .          .          2026-01-01   yes
    f     {ripe}   2026-01-01 .          2026-01-01   no
    """

BY_AGE = """
    child birth_on diagnosis  enrolled_on transfer_on last_seen_on verdict
    a     {ripe}   syndromic  .           .           2026-01-01   outside
    b     .        idiopathic .           .           2026-01-01   outside
    c     2010-01-01 idiopathic 2022-01-01 .          2026-01-01   outside
    d     {young}  idiopathic .           .           2026-01-01   immature
    e     {ripe}   idiopathic .           .           2025-12-31   unknown
    f     {ripe}   idiopathic .           .           2026-01-01   yes
    g     {ripe}   idiopathic .           2026-01-01  2026-01-01   no
    """

CASES = {
    "lost_first_year": """
        child started_on first_lost_on departure  departed_on verdict
        a     .          .             .          .           outside
        b     2025-01-02 2025-03-01    .          .           immature
        c     2025-01-01 .             .          .           no
        d     2025-01-01 2025-12-31    .          .           yes
        e     2024-01-01 2024-12-31    .          .           no
        f     2024-01-01 2024-12-30    .          .           yes
        g     2024-01-01 .             died       2024-12-30  outside
        h     2024-01-01 .             died       2024-12-31  no
        i     2024-01-01 2024-03-01    declined   2024-05-01  yes
        """,
    "traced": """
        child first_lost_on returned_on verdict
        a     .             .           outside
        b     2025-10-04    2025-10-05  immature
        c     2025-10-03    2026-01-01  yes
        d     2025-01-01    2025-04-01  yes
        e     2025-01-01    2025-04-02  no
        f     2025-01-01    .           no
        """,
    "relapse_treated": """
        child relapse_on relapse_treated_on last_seen_on verdict
        a     .          .                  2025-12-01   outside
        b     2025-10-03 2025-10-03         2025-12-01   immature
        c     2025-10-02 2025-11-01         2025-12-01   yes
        d     2025-10-02 2025-11-02         2025-12-01   no
        e     2025-10-02 .                  2025-11-02   no
        f     2025-10-02 .                  2025-11-01   unknown
        """,
    "release_avoided": """
        child started_on release_on last_seen_on verdict
        a     .          .          2025-12-01   outside
        b     2024-01-03 .          2026-01-01   immature
        c     2024-01-02 2026-01-01 2026-01-01   no
        d     2024-01-02 .          2026-01-01   yes
        e     2023-01-01 .          2024-12-30   unknown
        f     2023-01-01 2024-12-31 2024-12-31   no
        g     2023-01-01 2025-01-01 2025-01-01   yes
        """,
    "good_result": """
        child started_on birth_on   good_result verdict
        a     2021-01-01 .          yes         outside
        b     .          2020-01-01 yes         outside
        c     2021-07-20 2021-07-04 yes         immature
        d     2021-07-20 2021-07-03 yes         yes
        e     2021-07-20 2021-07-03 no          no
        f     2021-07-20 2021-07-03 .           unknown
        """,
    "missing_birth": MISSING.format(name="birth_on", code="2025-01-01"),
    "missing_sex": MISSING.format(name="sex", code="male"),
    "missing_diagnosis": MISSING.format(name="diagnosis", code="syndromic")
    + "d     2025-12-31 unknown yes",
    "missing_prior_treatment": MISSING.format(name="prior_treatment", code="none")
    + "d     2025-12-31 unknown yes",
    "missing_score": MISSING.format(name="pirani_start", code="4.5"),
    "missing_brace_use": """
        child brace_on   last_seen_on n_brace_reviews verdict
        a     .          2025-12-01   .               outside
        b     2025-12-01 2025-12-01   0               outside
        c     2025-11-30 2025-12-01   0               yes
        d     2025-11-30 2025-12-01   1               no
        """,
    "relapse_free_1y": free("2025-01-02", "2025-01-01"),
    "relapse_free_2y": free("2024-01-03", "2024-01-02"),
    "relapse_free_3y": free("2023-01-02", "2023-01-01"),
    "relapse_free_5y": free("2021-01-02", "2021-01-01"),
    "operation_free_2y": free("2024-01-03", "2024-01-02", event="operation_on"),
    # Relapse on the day before the brace is no event in it.
    "retention_1y": STAYS.format(young="2025-01-02", ripe="2025-01-01", relapsed="yes"),
    "retention_2y": STAYS.format(young="2024-01-03", ripe="2024-01-02", relapsed="outside"),
    "retention_3y": STAYS.format(young="2023-01-02", ripe="2023-01-01", relapsed="outside"),
    "retention_4y": STAYS.format(young="2022-01-02", ripe="2022-01-01", relapsed="outside"),
    "transfer_free_3y": BY_AGE.format(young="2023-01-02", ripe="2023-01-01"),
    "transfer_free_4y": BY_AGE.format(young="2022-01-02", ripe="2022-01-01"),
    "transfer_free_6y": BY_AGE.format(young="2020-01-02", ripe="2020-01-01"),
}


@pytest.mark.parametrize("code", CASES)
def test_verdicts(code: str) -> None:
    check_verdicts(code, CASES[code])
