"""Indicators that are no share of units, worked by hand on a few feet."""

from __future__ import annotations

import pandas as pd
import pytest
from drawn import cohort_of, drawn

from analytics.analyses.indicators import estimates
from analytics.definitions.indicators import INDICATORS
from analytics.definitions.protocol import Protocol
from analytics.stats.rates import poisson_rate

COUNTS = ["n", "denominator", "numerator", "outside", "immature", "unknown"]


def counted(feet: str, code: str, *, few: int = 10) -> pd.Series:
    cohort = cohort_of(feet, protocol=Protocol(few_children=few))
    return estimates(cohort, [INDICATORS[code]]).frame.iloc[0]


RATIOS = {
    # code: column above, column below, day that puts a foot into the population
    "scored_cast_visits": ("n_cast_visits_scored", "n_cast_visits", "started_on"),
    "casting_complications": ("n_casting_complications", "n_casts_all", "started_on"),
    "reported_adherence": ("n_brace_reviews_as_advised", "n_brace_reviews", "brace_on"),
}


@pytest.mark.parametrize("code", RATIOS)
def test_sums_over_sums(code: str) -> None:
    above, below, day = RATIOS[code]
    row = counted(
        f"""
        child {day}      {above} {below}
        a     2025-01-01 3       4
        b     2025-01-01 1       6
        c     2025-01-01 .       5
        d     .          1       1
        """,
        code,
    )
    assert row[COUNTS].tolist() == [4, 10, 4, 1, 0, 1]
    assert row["estimate"] == pytest.approx(0.4)


def test_a_braced_foot_without_any_use_told_is_unknown() -> None:
    row = counted(
        """
        child brace_on   n_brace_reviews n_brace_reviews_as_advised
        a     2025-01-01 2               1
        b     2025-01-01 0               0
        """,
        "reported_adherence",
    )
    assert row[["denominator", "numerator", "unknown"]].tolist() == [2, 1, 1]


@pytest.mark.parametrize(
    ("code", "above", "below"),
    [("cast_intervals_on_time", "n_intervals_on_time", "n_intervals"),
     ("review_on_time", "n_reviews_on_time", "n_reviews_due")],
)  # fmt: skip
def test_what_fell_due_and_what_was_on_time(code: str, above: str, below: str) -> None:
    row = counted(
        f"""
        child {above} {below}
        a     3       4
        b     0       1
        c     0       0
        d     .       .
        """,
        code,
    )
    assert row["numerator"] == 3 and row["denominator"] == 5
    assert row[["outside", "unknown"]].tolist() == [2, 0]


def test_complications_per_child_add_both_feet_of_a_child_once() -> None:
    row = counted(
        """
        child side  started_on n_casting_complications
        a     left  2025-01-01 1
        a     right 2025-01-01 2
        b     left  2025-01-01 0
        c     left  2025-01-01 .
        d     left  .          .
        """,
        "casting_complications_children",
    )
    assert row[COUNTS].tolist() == [4, 2, 3, 1, 0, 1]
    assert row["estimate"] == pytest.approx(1.5)


def test_completeness_of_follow_up_is_time_followed_of_time_due_by_child() -> None:
    row = counted(
        """
        child side  started_on followed_until_on due_until_on
        a     left  2025-01-01 2025-04-11        2025-07-20
        a     right 2025-01-01 2025-04-11        2025-07-20
        b     left  2025-01-01 2025-07-20        2025-07-20
        c     left  .          .                 2025-07-20
        """,
        "follow_up_completeness",
    )
    # Clark's C: (100 + 200) days of (200 + 200), the bilateral child once.
    assert row[COUNTS].tolist() == [3, 400, 300, 1, 0, 0]
    assert row["estimate"] == pytest.approx(0.75)


def test_casts_to_correction_is_for_corrected_feet_never_treated_before() -> None:
    frame = estimates(
        cohort_of(
            """
            child is_corrected prior_treatment n_casts
            a     yes          none            4
            b     yes          none            5
            c     yes          none            6
            d     yes          none            9
            e     yes          none            .
            f     yes          casts           2
            g     no           none            12
            """
        ),
        [INDICATORS["casts_to_correction"]],
    ).frame.set_index("measure")
    parts = [f"casts_to_correction.{name}" for name in ("p25", "median", "p75", "p90")]
    # The smallest count at or below which at least the share lies.
    assert frame.loc[parts, "estimate"].tolist() == [4, 5, 6, 9]
    assert frame.loc[parts[0], ["denominator", "outside", "unknown"]].tolist() == [4, 2, 1]


CURVES = {
    # Feet at risk 4, 3, 2, 1: lost or operated at 100, censored 200, event at 300, followed.
    "relapse_free_1y": ("corrected_on", "relapse_on", 0.75 * 0.5),
    "relapse_free_2y": ("corrected_on", "relapse_on", 0.75 * 0.5),
    "relapse_free_3y": ("corrected_on", "relapse_on", 0.75 * 0.5),
    "relapse_free_5y": ("corrected_on", "relapse_on", 0.75 * 0.5),
    "operation_free_2y": ("corrected_on", "operation_on", 0.75 * 0.5),
    "transfer_free_3y": ("birth_on", "transfer_on", 0.75 * 0.5),
    "transfer_free_4y": ("birth_on", "transfer_on", 0.75 * 0.5),
    "transfer_free_6y": ("birth_on", "transfer_on", 0.75 * 0.5),
    "retention_1y": ("brace_on", "lost_on", 0.75 * 0.5),
    "retention_2y": ("brace_on", "lost_on", 0.75 * 0.5),
    "retention_3y": ("brace_on", "lost_on", 0.75 * 0.5),
    "retention_4y": ("brace_on", "lost_on", 0.75 * 0.5),
}


@pytest.mark.parametrize("code", CURVES)
def test_a_curve_is_read_at_its_horizon(code: str) -> None:
    origin, event, free = CURVES[code]
    row = counted(
        f"""
        child {origin}   {event}    diagnosis  last_seen_on
        a     2015-01-01 2015-04-11 idiopathic 2025-01-01
        b     2015-01-01 .          idiopathic 2015-07-20
        c     2015-01-01 2015-10-28 idiopathic 2025-01-01
        d     2015-01-01 .          idiopathic 2025-01-01
        e     2015-01-01 .          idiopathic 2015-01-01
        f     .          .          idiopathic 2025-01-01
        """,
        code,
        few=1,
    )
    assert row["estimate"] == pytest.approx(free)
    assert row[["n", "denominator", "outside", "unknown"]].tolist() == [6, 4, 1, 1]
    assert pd.isna(row["numerator"])


def test_relapse_before_leaving_is_no_leaving_but_makes_it_impossible() -> None:
    row = counted(
        """
        child brace_on   lost_on    relapse_on last_seen_on
        a     2015-01-01 .          2015-02-01 2025-01-01
        b     2015-01-01 2015-04-11 .          2015-04-01
        c     2015-01-01 .          .          2025-01-01
        d     2015-01-01 .          .          2025-01-01
        """,
        "retention_1y",
        few=1,
    )
    # One of four left: 3/4. Taking the relapse as the end of observation would give 2/3.
    assert row["estimate"] == pytest.approx(0.75)


def test_a_curve_too_few_are_followed_for_is_not_read() -> None:
    feet = drawn("child corrected_on last_seen_on\n" + "a{i} 2015-01-01 2025-01-01\n")
    nine = pd.concat([feet.assign(child=f"c{i}") for i in range(9)], ignore_index=True)
    code = INDICATORS["relapse_free_2y"]
    assert estimates(cohort_of(nine), [code]).frame["estimate"].isna().all()
    ten = pd.concat([nine, feet], ignore_index=True)
    assert estimates(cohort_of(ten), [code]).frame["estimate"].tolist() == [1.0]


def test_slipped_casts_of_a_published_series() -> None:
    # 4 slipped of 128 casts in 25 complex feet: Indian J Orthop 2023, s43465-023-00910-w.
    feet = drawn("child started_on n_casting_complications n_casts_all\nx 2025-01-01 0 5")
    series = pd.concat([feet.assign(child=f"c{i}") for i in range(25)], ignore_index=True)
    series.loc[:3, "n_casting_complications"] = "1"
    series.loc[:2, "n_casts_all"] = "6"
    row = estimates(cohort_of(series), [INDICATORS["casting_complications"]]).frame.iloc[0]
    assert row[["numerator", "denominator"]].tolist() == [4, 128]
    assert row["estimate"] == pytest.approx(0.03125)
    # Rare events, one at most per foot: close to the exact Poisson limits, Garwood 1936.
    exact = poisson_rate(4, 128)
    assert row["lower"] < row["estimate"] < row["upper"]
    assert row["upper"] == pytest.approx(float(exact.upper), rel=0.15)
