"""Control charts and cumulative sums against handbooks and R's spc."""

import numpy as np
import pytest

from analytics.errors import NotEstimableError
from analytics.stats.cusum import (
    limit_for_run_length,
    mean_run_length,
    reflected_sum,
    risk_adjusted_cusum,
    risk_draw,
    risk_weights,
    tabular_cusum,
)
from analytics.stats.trend import (
    false_alarm_rates,
    p_chart,
    rule_signals,
    run_chart,
    run_chart_limits,
    u_chart,
)

# NIST/SEMATECH e-Handbook pmc332, 30 wafers of 50 chips; the mean .2313 was read there, the
# counts are quoted from memory (their sum, 347, fits that mean); other values computed apart.
WAFERS = [12, 15, 8, 10, 4, 7, 16, 9, 14, 10, 5, 6, 17, 12, 22, 8, 10, 5, 13, 11, 20, 18, 24, 15,
          9, 12, 7, 13, 9, 6]  # fmt: skip


def signals(chart):
    return (np.flatnonzero(rule_signals(chart.z)["beyond_limit"]) + 1).tolist()


def test_p_chart_of_wafers():
    chart = p_chart(WAFERS, np.full(30, 50))
    assert [chart.centre, chart.lower[0], chart.upper[0]] == pytest.approx(
        [0.231333, 0.052428, 0.410239], abs=5e-7
    )
    assert signals(chart) == [15, 23]
    kept = [k for k in WAFERS if k not in (22, 24)]
    again = p_chart(kept, np.full(28, 50))
    assert again.centre == pytest.approx(0.2150, abs=5e-5)
    assert [again.lower[0], again.upper[0]] == pytest.approx([0.0407, 0.3893], abs=5e-5)
    assert again.rate[signals(again)[0] - 1] == pytest.approx(0.40)


def test_laney_correction_of_wafers():
    """sigma_z 1.6609 and upper limit .5285 without a signal, computed apart."""
    chart = p_chart(WAFERS, np.full(30, 50), laney=True)
    assert chart.sigma_z == pytest.approx(1.6609, abs=5e-5)
    assert chart.upper[0] == pytest.approx(0.5285, abs=5e-5)
    assert signals(chart) == []


def test_p_chart_of_ten_samples():
    """Public course text (fliphtml5): 10 samples of 200, mean .16, limits .0822 to .2378."""
    chart = p_chart([40, 44, 22, 34, 24, 32, 28, 32, 34, 30], np.full(10, 200))
    assert [chart.centre, chart.lower[0], chart.upper[0]] == pytest.approx(
        [0.16, 0.0822, 0.2378], abs=5e-5
    )


def test_np_chart_of_fifty_lots():
    """Published course page (rstudio-pubs 1407303): mean .0357, limits 0 and 15.01184 of 200."""
    defects = [8, 7, 11, 3, 6, 11, 4, 4, 5, 8, 8, 6, 7, 6, 10, 7, 9, 5, 6, 8, 8, 10, 4, 11, 4,
               11, 6, 6, 9, 5, 4, 7, 5, 7, 8, 5, 10, 9, 7, 9, 4, 9, 4, 7, 11, 8, 10, 8, 7,
               5]  # fmt: skip
    chart = p_chart(defects, np.full(50, 200))
    assert chart.centre == pytest.approx(0.0357, abs=1e-12)
    assert chart.centre * 200 == pytest.approx(7.14, abs=1e-12)
    assert [chart.lower[0], chart.upper[0] * 200] == pytest.approx([0, 15.01184], abs=5e-6)


def test_c_chart_of_wafer_defects():
    """NIST e-Handbook pmc331, quoted from memory: mean 16, limits 4 and 28."""
    chart = u_chart([16, 16], [1, 1])
    assert [chart.centre, chart.lower[0], chart.upper[0]] == [16, 4, 28]


def test_u_chart_of_besterfield():
    """Besterfield 1990 p. 185, rows 1 to 15, as quoted by isixsigma's u-chart page."""
    n = [110, 82, 96, 115, 108, 56, 120, 98, 102, 115, 88, 71, 95, 103, 113]
    c = [120, 94, 89, 162, 150, 82, 143, 134, 97, 145, 128, 83, 120, 116, 127]
    u = [1.0909, 1.1463, 0.9271, 1.4087, 1.3889, 1.4643, 1.1917, 1.3673, 0.951, 1.2609, 1.4545,
         1.169, 1.2632, 1.1262, 1.1239]  # fmt: skip
    chart = u_chart(c, n)
    assert chart.rate == pytest.approx(u, abs=5.1e-5)
    # Mean of these 15 rows and limits of the first by hand: 1.2160326 +- 3 sqrt(1.2160326/110).
    assert chart.centre == pytest.approx(1.2160326, abs=5e-8)
    assert [chart.lower[0], chart.upper[0]] == pytest.approx([0.90061, 1.53146], abs=1e-5)


@pytest.mark.parametrize(
    ("n", "longest", "crossings"), [(12, 7, 3), (20, 7, 6), (24, 8, 8), (36, 8, 13)]
)
def test_run_chart_limits(n, longest, crossings):
    """The rule as used in the trade (Anhoj), quoted from memory; values computed apart."""
    assert run_chart_limits(n) == (longest, crossings)


def test_run_chart_drawn_by_hand():
    """Two points on the median 5 are left out; + + + - - + - - leaves 4 runs, the longest 3."""
    got = run_chart([6, 7, 8, 5, 1, 2, 9, 5, 3, 4])
    assert (got.median, got.n_useful, got.longest_run, got.n_crossings) == (5, 8, 3, 3)
    assert not got.is_shifted
    assert run_chart([1.0] * 10 + [2.0] * 10).is_shifted


def test_rules_drawn_by_hand():
    nan = np.nan
    z = [
        0.5,
        0.5,
        0.5,
        0.5,
        nan,
        0.5,
        0.5,
        0.5,
        0.5,
        -1,
        -0.5,
        0.1,
        0.2,
        0.3,
        0.4,
        2.5,
        0,
        2.2,
        -3.1,
    ]
    table = rule_signals(z)
    found = {name: np.flatnonzero(table[name]).tolist() for name in table}
    assert found == {
        "beyond_limit": [18],
        "long_run": [8],
        "steady_trend": [14, 15],
        "two_of_three": [17],
    }


def test_false_alarms_of_the_three_sigma_rule():
    """1 - (1 - .0027)^20 = .0526 for 20 points; .0022 is three Monte Carlo errors of 60 000."""
    rates = false_alarm_rates(20, rng=np.random.default_rng(1), n_series=60_000)
    assert rates["beyond_limit"] == pytest.approx(1 - (1 - 0.0026998) ** 20, abs=0.003)
    # Eight on one side among eight points: 2 / 2^8 exactly.
    eight = false_alarm_rates(8, rng=np.random.default_rng(2), n_series=60_000)
    assert eight["long_run"] == pytest.approx(2 / 2**8, abs=0.0012)
    # Six points in ascending or descending order: 2 / 6! exactly.
    six = false_alarm_rates(6, rng=np.random.default_rng(3), n_series=60_000)
    assert six["steady_trend"] == pytest.approx(2 / 720, abs=0.0007)


def test_tabular_cusum_of_montgomery_and_runger():
    """Example 16-6: mu0 = 99, K = 1, H = 10, as printed (one decimal)."""
    x = [102.0, 94.8, 98.3, 98.4, 102.0, 98.5, 99.0, 97.7, 100.0, 98.1, 101.3, 98.7, 101.1, 98.4,
         97.0, 96.7, 100.3, 101.4, 97.2, 101.0]  # fmt: skip
    got = tabular_cusum(x, target=99, slack=1, limit=10)
    high = [2, 0, 0, 0, 2, 0.5, 0, 0, 0, 0, 1.3, 0, 1.1, 0, 0, 0, 0.3, 1.7, 0, 1.0]
    low = [0, 3.2, 2.9, 2.5, 0, 0, 0, 0.3, 0, 0, 0, 0, 0, 0, 1.0, 2.3, 0, 0, 0.8, 0]
    assert got.high == pytest.approx(high, abs=1e-9)
    assert got.low == pytest.approx(low, abs=1e-9)
    assert not got.signal.any()


def test_tabular_cusum_of_the_handbook():
    """NIST e-Handbook pmc323 (data and limits quoted from memory, sums recomputed)."""
    x = [324.925, 324.675, 324.725, 324.35, 325.35, 325.225, 324.125, 324.525, 325.225, 324.6,
         324.625, 325.15, 328.325, 327.25, 327.825, 328.5, 326.675, 327.775, 326.875,
         328.35]  # fmt: skip
    got = tabular_cusum(x, target=325, slack=0.3175, limit=4.1959)
    high = [0, 0, 0, 0, 0.0325, 0, 0, 0, 0, 0, 0, 0, 3.0075, 4.94, 7.4475, 10.63, 11.9875,
            14.445, 16.0025, 19.035]  # fmt: skip
    assert got.high == pytest.approx(high, abs=1e-9)
    assert np.flatnonzero(got.signal)[0] + 1 == 14


def drift(shift):
    """Increments of a one-sided sum of standard normal values with k = .5."""
    return lambda rng, shape: rng.standard_normal(shape) + shift - 0.5


# R spc 0.6.7 xcusum.arl, k = .5: two-sided 167.68 and 465.44 (h = 4, 5), 8.383 and 10.376 after a
# shift of one; one-sided 930.89. Montgomery's table (from memory): 168, 465, 8.38, 10.4.
# In control the two sides signal at equal rates, so one side alone waits twice as long.
@pytest.mark.parametrize(
    ("limit", "shift", "want"),
    [(4, 0, 2 * 167.683788813621), (5, 0, 930.887012064239),
     (4, 1, 8.3831318704952), (5, 1, 10.3759699215936)],
)  # fmt: skip
def test_simulated_run_lengths_equal_spc(limit, shift, want):
    """8000 runs: relative Monte Carlo error 1.1% in control and less after the shift; 4% here."""
    got = mean_run_length(
        drift(shift), limit=limit, n_rows=int(4 * want), rng=np.random.default_rng(11), n_runs=8000
    )
    assert got == pytest.approx(want, rel=0.04)


def test_run_lengths_are_carried_past_a_short_horizon():
    """Rows for one run length only: a third of runs has not signalled; 6% here (error 1.4%)."""
    got = mean_run_length(drift(0), limit=4, n_rows=335, rng=np.random.default_rng(13), n_runs=8000)
    assert got == pytest.approx(2 * 167.683788813621, rel=0.06)


def test_limit_for_a_stated_run_length_equals_spc():
    """h = 5 at 930.887 rows; 4000 runs (1.6%) move h by about .015, hence .06."""
    got = limit_for_run_length(
        drift(0), run_length=930.887, rng=np.random.default_rng(12), n_runs=4000
    )
    assert got == pytest.approx(5.0, abs=0.06)


def test_risk_adjusted_limit_keeps_its_run_length():
    """Fresh runs at the limit found: within 6%, four times the joint Monte Carlo error."""
    risk = np.random.default_rng(0).beta(2, 8, 300)
    limit = limit_for_run_length(
        risk_draw(risk, odds_ratio=2), run_length=400, rng=np.random.default_rng(1)
    )
    again = {
        true: mean_run_length(
            risk_draw(risk, odds_ratio=2, true_odds_ratio=true),
            limit=limit, n_rows=1600, rng=np.random.default_rng(2), n_runs=6000,
        )
        for true in (1.0, 2.0)
    }  # fmt: skip
    assert again[1.0] == pytest.approx(400, rel=0.06)
    assert again[2.0] < 80


def test_risk_weights_are_log_likelihood_ratios():
    """Steiner et al. 2000, risk .2 and odds ratio 2: log(1/1.2) and log(2/1.2) by hand."""
    got = risk_weights([0, 1], [0.2, 0.2], odds_ratio=2)
    assert got == pytest.approx([np.log(1 / 1.2), np.log(2 / 1.2)], abs=1e-15)


def test_risk_adjusted_sum_starts_afresh_after_a_signal():
    got = risk_adjusted_cusum([1, 1, 1, 0.5, 1, -2, 1, 1, 1], limit=2.5)
    assert got.path == pytest.approx([1, 2, 3, 0.5, 1.5, 0, 1, 2, 3])
    assert got.signals.tolist() == [2, 8]
    assert reflected_sum([1, -3, 2]) == pytest.approx([1, 0, 2])


def test_periods_without_rows_and_too_few_periods():
    chart = p_chart([2, 0, 3], [10, 0, 10])
    assert np.isnan([chart.rate[1], chart.lower[1]]).all()
    with pytest.raises(NotEstimableError, match=r"too_few_periods \(n_periods=1\)"):
        p_chart([2, 0], [10, 0])
    with pytest.raises(NotEstimableError, match="no_events"):
        p_chart([0, 0], [10, 10])
    with pytest.raises(NotEstimableError, match="all_events"):
        p_chart([10, 10], [10, 10])
    with pytest.raises(NotEstimableError, match="too_few_points"):
        run_chart([1.0, 1.0])
    with pytest.raises(NotEstimableError, match="risk_out_of_range"):
        risk_weights([1], [1.0], odds_ratio=2)
