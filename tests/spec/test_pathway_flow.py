"""The flow from rows to feet that last: every step drawn, every count followed to its reason."""

from __future__ import annotations

from dataclasses import replace

import pandas as pd
import pytest
from drawn import cohort_of, drawn

from analytics.analyses.consistency import check_result
from analytics.analyses.flow import feet_flow, pathway_flow
from analytics.courses.cohort import Cohort
from analytics.definitions.policies import INTERNAL
from analytics.definitions.steps import ASIDES, unit_of_step
from analytics.display.tables import tabulate
from analytics.sharing.protect import protect

# Cut-off 2026-01-01: two years before it is 2024-01-02.
FEET = """
    child side  started_on is_corrected has_tenotomy brace_on   status    lost_on    due_until_on relapse_on died_on
    a     left  .          .            .            .          in_care   .          2026-01-01   .          .
    a     right 2023-10-01 no           no           .          lost      2023-12-01 2026-01-01   .          .
    b     left  2023-10-01 yes          yes          2024-01-03 in_care   .          2026-01-01   .          .
    b     right 2023-10-01 yes          no           2024-01-02 in_care   .          2026-01-01   .          .
    c     left  2023-10-01 yes          .            2024-01-02 lost      2026-01-01 2026-01-01   .          .
    d     left  2022-10-01 yes          yes          2023-01-01 departed  .          2024-12-30   .          2024-12-30
    e     left  2022-10-01 yes          yes          2023-01-01 completed .          2024-12-31   2024-12-31 .
    f     left  2022-10-01 yes          yes          2023-01-01 lost      2025-01-01 2026-01-01   2025-01-01 .
    g     left  2022-10-01 yes          yes          .          in_care   .          2026-01-01   .          .
    """  # noqa: E501

WANTED = """
    step          n_in n_out reason             n_reason
    rows_kept     5    2     rows_merged        1
    rows_kept     5    2     rows_quarantined   2
    children_seen 8    7     not_seen           1
    both_feet     7    2     one_foot           5
    started       9    8     no_cast_recorded   1
    corrected     8    7     lost               1
    tenotomy      7    5     no_tenotomy        1
    tenotomy      7    5     tenotomy_not_known 1
    braced        7    6     still_in_care      1
    braced_2y     6    5     too_early          1
    followed_2y   5    3     died               1
    followed_2y   5    3     lost               1
    lasting_2y    3    2     relapsed           1
    """


@pytest.fixture
def cohort() -> Cohort:
    made = cohort_of(FEET)
    fates = drawn("fate reason n\n kept . 2\n merged . 1\n quarantined R01 1\n quarantined R02 1")
    rows = fates.assign(file="a.csv", sheet="", n=fates["n"].astype("int64"))
    return replace(made, totals=replace(made.totals, rows=rows, n_children=8))


def test_every_step_and_every_reason(cohort: Cohort) -> None:
    found = pathway_flow(cohort).frame.astype("string")
    pd.testing.assert_frame_equal(found, drawn(WANTED), check_dtype=False)


def test_who_leaves_a_step_is_not_in_the_next(cohort: Cohort) -> None:
    result = pathway_flow(cohort)
    assert check_result(result) == []
    firsts = result.frame.drop_duplicates("step")
    on_the_way = firsts.loc[~firsts["step"].isin(ASIDES)].to_dict("records")
    for before, after in zip(on_the_way, on_the_way[1:], strict=False):
        units = [unit_of_step(str(step["step"]), "foot") for step in (before, after)]
        if units[0] == units[1]:
            assert before["n_out"] == after["n_in"]
    children, both, feet = (firsts.set_index("step")["n_in"][s] for s in ("both_feet",) * 2 +
                            ("started",))  # fmt: skip
    assert feet == children + firsts.set_index("step")["n_out"]["both_feet"]


def test_the_flow_of_feet_is_a_part_of_it(cohort: Cohort) -> None:
    whole, part = pathway_flow(cohort).frame, feet_flow(cohort).frame
    same = whole.loc[whole["step"].isin(["started", "corrected", "braced"])]
    pd.testing.assert_frame_equal(same.reset_index(drop=True), part)


def test_every_row_names_its_unit(cohort: Cohort) -> None:
    table = tabulate(protect(pathway_flow(cohort), INTERNAL))
    units = [row[1].text for row in table.rows]
    assert units == ["rows"] * 2 + ["children"] * 2 + ["feet"] * 9
    assert "feet" not in table.caption.split("(")[-1] or "(" not in table.caption


def test_a_cohort_without_anything_has_no_one_at_any_step() -> None:
    empty = cohort_of(pd.DataFrame(columns=["child"], dtype="string"))
    frame = pathway_flow(empty).frame
    assert frame[["n_in", "n_out", "n_reason"]].eq(0).all().all()
