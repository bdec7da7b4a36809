"""What those lost could change: nobody counted, all a no, all a yes."""

from __future__ import annotations

import pandas as pd
import pytest
from drawn import cohort_of, drawn

from analytics.analyses.bounds import bounds
from analytics.analyses.indicators import estimates
from analytics.definitions.indicators import INDICATORS
from analytics.definitions.policies import PUBLIC
from analytics.results import Result
from analytics.sharing.protect import protect

COUNTS = ["measure", "n", "denominator", "numerator", "outside", "immature", "unknown"]


def bound(feet: str | pd.DataFrame, code: str) -> Result:
    return bounds(cohort_of(feet, cut_off="2026-01-01"), [INDICATORS[code]])


def assert_counts(result: Result, wanted: str) -> None:
    table = drawn(wanted)
    found = result.frame[COUNTS].astype("string").reset_index(drop=True)
    pd.testing.assert_frame_equal(found, table, check_dtype=False)


def test_the_unknown_are_lost() -> None:
    result = bound(
        """
        child started_on birth_on   good_result
        a     .          2020-01-01 yes
        b     2025-01-01 2024-12-01 .
        c     2020-01-01 2019-12-01 yes
        d     2020-01-01 2019-12-01 no
        e     2020-01-01 2019-12-01 .
        f     2020-01-01 2019-12-01 .
        """,
        "good_result",
    )
    assert_counts(
        result,
        """
        measure             n denominator numerator outside immature unknown
        good_result.seen    6 2           1         1       1        2
        good_result.lowest  6 4           1         1       1        0
        good_result.highest 6 4           3         1       1        0
        """,
    )


def test_a_no_for_want_of_a_visit_is_lost_too() -> None:
    result = bound(
        """
        child started_on is_corrected status
        a     2025-01-01 no           lost
        b     2025-01-01 no           in_care
        c     2025-01-01 yes          lost
        """,
        "initial_correction",
    )
    assert_counts(
        result,
        """
        measure                    n denominator numerator outside immature unknown
        initial_correction.seen    3 2           1         0       0        1
        initial_correction.lowest  3 3           1         0       0        0
        initial_correction.highest 3 3           2         0       0        0
        """,
    )


def test_a_child_one_of_whose_feet_surely_failed_is_a_no() -> None:
    result = bound(
        """
        child side  started_on is_corrected status
        a     left  2025-01-01 no           lost
        a     right 2025-01-01 no           in_care
        b     left  2025-01-01 no           lost
        b     right 2025-01-01 yes          lost
        """,
        "casting_completed",
    )
    at = result.frame.set_index("measure")["numerator"]
    assert at.tolist() == [0, 0, 1]


def test_a_curve_is_bounded_at_its_horizon() -> None:
    result = bound(
        """
        child corrected_on relapse_on last_seen_on
        a     2020-01-01   2020-06-01 2022-01-01
        b     2020-01-01   .          2020-06-01
        c     2020-01-01   .          2022-01-01
        d     2025-06-01   .          2025-12-01
        """,
        "relapse_free_1y",
    )
    assert_counts(
        result,
        """
        measure                 n denominator numerator outside immature unknown
        relapse_free_1y.seen    4 2           1         0       1        1
        relapse_free_1y.lowest  4 3           1         0       1        0
        relapse_free_1y.highest 4 3           2         0       1        0
        """,
    )


@pytest.mark.parametrize(
    ("yes", "seen", "lowest", "highest"),
    # Harare: 68 of 218 children were seen again. The percentages that were published among those
    # seen, 56% and 93%, give 38 and 63 children; the bounds follow. To one decimal place.
    [(38, 55.9, 17.4, 86.2), (63, 92.6, 28.9, 97.7)],
)
def test_bounds_of_a_published_follow_up(
    yes: int, seen: float, lowest: float, highest: float
) -> None:
    foot = drawn("child started_on birth_on good_result\nx 2020-01-01 2019-12-01 .")
    feet = pd.concat([foot.assign(child=f"c{i}") for i in range(218)], ignore_index=True)
    feet.loc[:67, "good_result"] = ["yes"] * yes + ["no"] * (68 - yes)
    found = bound(feet, "good_result").frame["estimate"] * 100
    assert found.tolist() == pytest.approx([seen, lowest, highest], abs=0.05)


def test_bounds_contain_what_was_seen_and_only_rest_where_follow_up_counts() -> None:
    asked = [i for i in INDICATORS.values() if not i.rests_on_follow_up]
    feet = "child started_on\na 2025-01-01"
    assert bounds(cohort_of(feet), asked).frame.empty
    share = INDICATORS["good_result"]
    cohort = cohort_of(
        """
        child clinic started_on birth_on   good_result
        a     A      2020-01-01 2019-12-01 yes
        b     A      2020-01-01 2019-12-01 .
        c     B      2020-01-01 2019-12-01 no
        """
    )
    frame = bounds(cohort, [share], by=["clinic"]).frame.set_index(["clinic", "measure"])
    at = frame["estimate"].unstack("measure")
    assert (at["good_result.lowest"] <= at["good_result.seen"]).all()
    assert (at["good_result.seen"] <= at["good_result.highest"]).all()
    seen = estimates(cohort, [share], by=["clinic"]).frame.set_index("clinic")["estimate"]
    assert at["good_result.seen"].tolist() == seen.tolist()


def test_a_few_lost_cannot_be_found_by_subtraction_on_a_public_page() -> None:
    foot = drawn("child started_on birth_on good_result\nx 2020-01-01 2019-12-01 yes")
    feet = pd.concat([foot.assign(child=f"c{i}") for i in range(60)], ignore_index=True)
    feet.loc[:29, "good_result"] = "no"
    feet.loc[:2, "good_result"] = pd.NA
    shown = protect(bound(feet, "good_result"), PUBLIC).frame.set_index("measure")
    for column, less, more in (
        ("denominator", "seen", "lowest"),
        ("numerator", "lowest", "highest"),
        ("numerator", "seen", "highest"),
    ):
        pair = shown.loc[[f"good_result.{less}", f"good_result.{more}"], column]
        assert pair.isna().any(), f"3 lost: {column} of {more} less {less}"


def test_a_horizon_that_nobody_reached_is_not_estimable() -> None:
    # Those who relapsed are all that could be seen to have an answer: nobody was seen free.
    frame = drawn(
        """
        child corrected_on relapse_on relapse_free_on last_seen_on status
        a     2021-01-01   2022-07-01 2022-04-01      2022-07-01   in_care
        b     2021-01-01   2023-07-01 2023-04-01      2023-07-01   in_care
        c     2023-06-01   .          .               2025-06-01   in_care
        d     2020-01-01   .          .               2022-06-01   lost
        """
    )
    result = bound(frame, "relapse_free_5y")
    assert result.frame["denominator"].tolist() == [2, 3, 3]
    assert result.frame[["estimate", "lower", "upper"]].isna().all(axis=None)
    (note,) = [n for n in result.context.notes if n.key == "note.not_reached"]
    assert (note.values["n_children"], note.values["needed"]) == (0, 10)
