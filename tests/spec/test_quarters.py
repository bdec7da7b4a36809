"""The quarter of the report: what was done in it, and whose answer fell due in it."""

from __future__ import annotations

from dataclasses import replace

import pandas as pd
import pytest
from drawn import cohort_of, drawn

from analytics.analyses.consistency import check_result
from analytics.analyses.indicators import estimates as of_all
from analytics.analyses.quarters import DEEDS, N_QUARTERS, counts, estimates
from analytics.definitions.indicators import HEADLINE, INDICATORS
from analytics.definitions.policies import INTERNAL, PUBLIC
from analytics.display.block import Block
from analytics.display.figures import draw
from analytics.sharing.protect import protect

# As of 31 March 2026 this quarter is 2026Q1; 183 days after 2 July 2025 is 1 January 2026.
CUT_OFF = "2026-03-31"
FEET = """
    child side  started_on is_corrected corrected_on lost_on
    a     left  2025-07-01 yes          2025-09-01   .
    b     left  2025-07-02 yes          2025-09-01   2026-03-31
    b     right 2025-10-10 no           .            2026-02-01
    c     left  2025-09-29 no           .            2025-12-31
    d     left  2025-09-30 yes          2026-01-01   .
    e     left  2026-03-31 .            .            .
    """


def frame_of(code: str, feet: str = FEET) -> pd.DataFrame:
    found = estimates(cohort_of(feet, cut_off=CUT_OFF), [INDICATORS[code]]).frame
    return found.set_index("quarter_due")


def test_a_foot_falls_due_in_the_quarter_in_which_it_matures() -> None:
    found = frame_of("initial_correction")
    assert found.index.tolist() == ["2026Q1", "2025Q4", "all"]
    # Due: a on 31 December, b left on 1 January, c on 31 March; d and b right later.
    assert found["numerator"].tolist() == [1, 1, 2]
    assert found["denominator"].tolist() == [2, 1, 3]
    assert found["immature"].tolist() == [0, 0, 3]


def test_a_child_falls_due_with_its_first_foot() -> None:
    feet = drawn(FEET).assign(status="in_care")
    feet.loc[feet["lost_on"].notna(), "status"] = "lost"
    found = estimates(cohort_of(feet, cut_off=CUT_OFF), [INDICATORS["dropped_out"]]).frame
    this = found.set_index("quarter_due").loc["2026Q1"]
    assert (this["numerator"], this["denominator"]) == (2, 2)


def test_without_an_origin_a_unit_belongs_to_its_day() -> None:
    feet = drawn(FEET).assign(has_tenotomy="yes", prior_treatment="none")
    found = estimates(cohort_of(feet, cut_off=CUT_OFF), [INDICATORS["tenotomy_rate"]]).frame
    assert found["denominator"].tolist() == [1, 0, 3]


def test_since_the_start_is_the_indicator_as_everywhere_else() -> None:
    cohort = cohort_of(FEET, cut_off=CUT_OFF)
    asked = [i for i in HEADLINE if i.code in ("initial_correction", "relapse_free_1y")]
    whole = of_all(cohort, asked).frame.drop(columns="measure")
    found = estimates(cohort, asked).frame
    found = found.loc[found["quarter_due"].eq("all")].drop(columns=["quarter_due", "measure"])
    pd.testing.assert_frame_equal(found.reset_index(drop=True), whole)


def test_what_was_done_is_counted_by_its_day() -> None:
    found = counts(cohort_of(FEET, cut_off=CUT_OFF)).frame
    table = found.pivot(index="measure", columns="quarter_done", values="estimate")
    wanted = drawn(
        """
        measure        2025Q1 2025Q2 2025Q3 2025Q4 2026Q1
        children_begun 0      0      4      0      1
        feet_begun     0      0      4      1      1
        feet_corrected 0      0      2      0      1
        children_lost  0      0      0      1      1
        """
    ).set_index("measure")
    assert table.shape == (len(DEEDS), N_QUARTERS)
    shown = table.loc[wanted.index, wanted.columns].astype(float).to_numpy()
    assert (shown == wanted.astype(float).to_numpy()).all()


def test_a_quarter_without_a_visit_is_not_told_as_a_quarter_without_work() -> None:
    seen = drawn(FEET).assign(last_seen_on=pd.Timestamp("2026-03-31"))
    assert counts(cohort_of(seen, cut_off=CUT_OFF)).context.notes == ()
    cohort = cohort_of(seen, cut_off="2026-04-01")
    (note,) = counts(cohort).context.notes
    assert note.values["last"] == pd.Timestamp("2026-03-31")
    for language, day in (("en", "31 March 2026"), ("es", "31 de marzo de 2026")):
        assert day in Block(protect(counts(cohort), INTERNAL), language).table.notes[0]
    assert counts(cohort_of(FEET, cut_off=CUT_OFF)).context.notes == ()


def test_the_axis_of_counts_of_nought_has_whole_numbers() -> None:
    empty = replace(cohort := cohort_of(FEET, cut_off=CUT_OFF), feet=cohort.feet.iloc[:0])
    for axes in draw(protect(counts(empty), INTERNAL)).axes:
        if axes.get_visible():
            ticks = [tick for tick in axes.get_yticks() if 0 <= tick <= axes.get_ylim()[1]]
            assert ticks == [0, 1]


def test_counts_stand_without_denominators_and_are_told_without_a_claim() -> None:
    block = Block(protect(counts(cohort_of(FEET, cut_off=CUT_OFF)), INTERNAL))
    assert [c.name for c in block.table.columns] == [
        "measure",
        "quarter_done",
        "share",
        "counted_unit",
    ]
    assert "95%" not in " ".join(block.table.header)
    assert "Feet corrected: 1 in 2026 Q1, 0 in 2025 Q4." in block.sentences


@pytest.mark.parametrize("make", [counts, lambda c: estimates(c, HEADLINE)])
def test_small_counts_of_a_quarter_are_withheld_from_the_public(make) -> None:
    result = make(cohort_of(FEET, cut_off=CUT_OFF))
    assert check_result(result) == []
    shown = protect(result, PUBLIC).frame
    assert result.frame["denominator"].between(1, 4).any()
    assert shown["denominator"].dropna().ge(10).all()
    assert shown.loc[shown["denominator"].isna(), "estimate"].isna().all()


def test_a_programme_that_has_just_begun_has_nothing_due() -> None:
    feet = drawn(FEET).iloc[[5]]
    cohort = cohort_of(feet, cut_off=CUT_OFF)
    found = estimates(cohort, HEADLINE).frame
    assert found["estimate"].isna().all()
    empty = replace(cohort, feet=cohort.feet.iloc[:0])
    assert counts(empty).frame["estimate"].eq(0).all()
    assert estimates(empty, HEADLINE).frame["denominator"].eq(0).all()
