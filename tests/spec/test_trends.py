"""Trends by quarter: matured cohorts, exact limits, named answers, running sums of the demo."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from demo import demo_cohort, truth
from drawn import cohort_of

from analytics.analyses import running_sums, trends
from analytics.definitions.indicators import INDICATORS
from analytics.stats.trend import exact_chart, p_chart

CORRECTION = INDICATORS["initial_correction"]
STARTS = ("2023-02-01", "2023-05-01", "2023-08-01", "2024-02-01", "2025-11-01")


def network(answers: list[tuple[str, int, int]]):
    """Feet by day of start: so many corrected, so many not."""
    lines, child = [], 0
    for start, n_yes, n_no in answers:
        year, month = start[:4], int(start[5:7])
        for is_corrected in ["yes"] * n_yes + ["no"] * n_no:
            child += 1
            quarter = f"{year}Q{(month + 2) // 3}"
            lines.append(f"c{child} {start} {quarter} {is_corrected}")
    return cohort_of("child started_on quarter is_corrected\n" + "\n".join(lines))


def test_a_quarter_still_immature_is_left_out_and_one_without_feet_stands_empty() -> None:
    result = trends.trend(network([(start, 9, 3) for start in STARTS]), CORRECTION)
    frame = result.frame.set_index("period")
    assert list(frame.index) == ["2023Q1", "2023Q2", "2023Q3", "2023Q4", "2024Q1"]
    assert frame["denominator"].tolist() == [12, 12, 12, 0, 12]
    assert frame["estimate"].isna().tolist() == [False, False, False, True, False]
    assert frame["centre"].iloc[0] == pytest.approx(0.75)
    assert "note.quarters_immature" in {note.key for note in result.context.notes}


def test_a_quarter_far_below_the_others_is_told() -> None:
    feet = [(start, 38, 2) for start in STARTS[:3]] + [(STARTS[3], 10, 30)]
    signals = trends.trend(network(feet), CORRECTION).frame.set_index("period")["signal"]
    assert signals["2024Q1"] == "low"


@pytest.mark.parametrize(
    ("feet", "reason"),
    [
        ([(STARTS[0], 5, 5)], "too_few_periods"),
        ([(start, 0, 8) for start in STARTS[:3]], "no_events"),
        ([(start, 8, 0) for start in STARTS[:3]], "all_events"),
    ],
)
def test_one_quarter_no_event_or_all_is_a_named_answer(feet, reason: str) -> None:
    result = trends.trend(network(feet), CORRECTION)
    whys = [n.values["why"].key for n in result.context.notes if n.key == "note.not_estimable"]
    assert whys == [f"not_estimable.{reason}"]
    assert result.frame["upper_limit"].isna().all()
    assert result.frame["denominator"].sum() == sum(yes + no for _, yes, no in feet)


def test_a_curve_is_no_count() -> None:
    result = trends.trend(network([(s, 5, 5) for s in STARTS]), INDICATORS["relapse_free_1y"])
    assert "not_estimable.not_a_count" in {
        n.values["why"].key for n in result.context.notes if n.key == "note.not_estimable"
    }


def test_exact_limits_leave_out_no_more_than_three_sigma_of_a_normal_would() -> None:
    rng, size = np.random.default_rng(5), np.full(40_000, 8)
    count = rng.binomial(size, 0.08)
    exact, _ = exact_chart(count, size, binomial=True)
    plain = p_chart(count, size)
    # Small and skewed: the plain chart would flag about one quarter in fifty.
    assert (plain.rate > plain.upper).mean() > 0.01
    outside = (exact.rate > exact.upper) | (exact.rate < exact.lower)
    assert outside.mean() <= 2 * 0.00135


def test_the_network_of_the_demo_does_not_move() -> None:
    frame = trends.trend(demo_cohort(), CORRECTION).frame
    assert set(frame["signal"]) == {"none"}
    whole = frame["numerator"].sum() / frame["denominator"].sum()
    assert frame["centre"].iloc[0] == pytest.approx(whole)


def test_children_lost_do_not_fall_only_for_want_of_time() -> None:
    # Lost so far: later quarters had less time. Lost within a year: none of the quarters shown
    # is outside its limits, and the newer half is not below the older one.
    frame = trends.trend(demo_cohort(), INDICATORS["lost_first_year"]).frame
    assert set(frame["signal"]) == {"none"}
    halves = np.array_split(frame[["numerator", "denominator"]].to_numpy(dtype=float), 2)
    older, newer = (half[:, 0].sum() / half[:, 1].sum() for half in halves)
    assert abs(newer - older) < 0.04
    last = pd.Period(frame["period"].iloc[-1], freq="Q").end_time.date()
    assert (demo_cohort().cut_off - last).days >= 365


def test_the_clinic_with_many_lost_runs_over_its_sum_most_often() -> None:
    result = running_sums.running_sums(demo_cohort(), INDICATORS["lost_first_year"])
    n_signals = result.frame["signal"].eq("high").groupby(result.frame["clinic"]).sum()
    assert n_signals.idxmax() == truth()["clinics"]["many_lost"]
    # Elsewhere about as often as stated: once in 500 children among some 1,600.
    assert n_signals.drop(truth()["clinics"]["many_lost"]).sum() <= 8
