"""What the data cannot answer is said by a named reason with counts, never by a NaN alone."""

import numpy as np
import pandas as pd
import pytest

from analytics.errors import NotEstimableError
from analytics.stats.competing import aalen_johansen, incidence, read_incidence
from analytics.stats.cox import cox
from analytics.stats.cox_checks import baseline_hazard, predicted_survival, proportionality
from analytics.stats.curve_reading import last_time_with, quantile, read_curve
from analytics.stats.interval import turnbull
from analytics.stats.interval_regression import interval_regression
from analytics.stats.lifetime_families import WEIBULL
from analytics.stats.logrank import log_rank
from analytics.stats.resample import BootstrapPlan, bootstrap_rows
from analytics.stats.restricted_mean import restricted_mean
from analytics.stats.spells import as_spells
from analytics.stats.subdistribution import fine_gray
from analytics.stats.survival import kaplan_meier

RNG = np.random.default_rng(3)
N = 100
TIME = RNG.exponential(1, N) + 0.01
EVENT = RNG.random(N) < 0.6
X = RNG.standard_normal(N)
GROUP = RNG.integers(0, 2, N)
EARLIEST = np.arange(N) == np.argmin(TIME)


def refusal(call, *args, **kwargs):
    with pytest.raises(NotEstimableError) as caught:
        call(*args, **kwargs)
    return caught.value


@pytest.mark.parametrize(
    ("rows", "reason", "counts"),
    [
        ({"time": [], "event": []}, "no_rows", {"n_rows": 0}),
        ({"time": [1, 0, -2], "event": [1, 1, 0]}, "time_not_positive", {"n_rows": 2}),
        ({"time": [1, 2], "event": [1]}, "lengths_differ", {"found": 1}),
        ({"time": [1, np.nan], "event": [1, 1]}, "missing_values", {"n_missing": 1}),
        ({"time": [1, np.inf], "event": [1, 1]}, "missing_values", {"n_missing": 1}),
        ({"time": [1, 2], "event": [0.5, 1]}, "event_not_a_code", {"n_rows": 1}),
        (
            {"time": [1, 2], "event": [1, 1], "entry": [1, 3]},
            "entry_not_before_time",
            {"n_rows": 2},
        ),
        ({"time": [1, 2], "event": [1, 1], "cluster": ["a", "a"]}, "one_cluster", {"n_rows": 2}),
        ({"time": [1, 2], "event": [1, 1], "cluster": ["a", None]}, "missing_values", {}),
        ({"time": [1, 2], "event": [1, 1], "weights": [1, 0]}, "weights_not_positive", {}),
    ],
)
def test_rows_that_cannot_be_read(rows, reason, counts):
    error = refusal(as_spells, **rows)
    assert error.reason == reason
    assert error.counts.items() >= counts.items()


def test_missing_events_in_nullable_columns_are_refused():
    event = pd.array([True, pd.NA, False], dtype="boolean")
    error = refusal(as_spells, [1, 2, 3], event)
    assert (error.reason, error.counts["column"]) == ("missing_values", "event")
    assert as_spells([1, 2], pd.array([True, False], dtype="boolean")).event.tolist() == [1, 0]


def test_a_curve_without_events_says_so_and_claims_no_limits():
    curve = kaplan_meier([1, 2, 3], [0, 0, 0])
    assert curve.notes == ("no_events",)
    assert curve.estimate.tolist() == [1, 1, 1]
    assert np.isnan(curve.lower).all()
    assert np.isnan(curve.upper).all()
    assert quantile(curve).estimate is None


def test_freedom_from_what_has_not_happened_yet_is_no_certainty():
    # R's binom.test(30, 30): limits 0.8842967 and 1; three at risk: 0.2924018 (binom.test(3, 3)).
    thirty = read_curve(kaplan_meier(np.full(30, 9.0), np.zeros(30)), [5])
    np.testing.assert_allclose(thirty[["lower", "upper"]], [[0.8842967, 1]], atol=5e-8)
    later = kaplan_meier([2, 3, 4], [0, 0, 1])
    read = read_curve(later, [1, 2, 2.5, 4])
    np.testing.assert_allclose(read["lower"][:2], 0.2924018, atol=5e-8)
    # Two are still followed after the first was censored.
    assert read["lower"][2] == pytest.approx(0.025**0.5)
    assert read["upper"][:3].eq(1).all()
    assert read["estimate"][3] == 0


def test_a_curve_of_one_event_is_estimable():
    curve = kaplan_meier([1, 2, 3], [0, 1, 0])
    assert curve.estimate.tolist() == [1, 0.5, 0.5]
    assert curve.notes == ()
    assert curve.lower[1] > 0


def test_a_curve_is_not_read_beyond_the_last_time_observed():
    read = read_curve(kaplan_meier([1, 2, 3], [1, 0, 0]), [0, 3, 3.01])
    assert read["beyond_follow_up"].tolist() == [False, False, True]
    assert read["estimate"].tolist()[:2] == pytest.approx([1, 2 / 3], rel=1e-15)
    assert np.isnan(read.loc[2, ["estimate", "se", "lower", "upper"]].astype(float)).all()
    read = read_incidence(aalen_johansen([1, 2, 3], [1, 2, 0]), [3, 3.01])
    assert read["beyond_follow_up"].tolist() == [False, True]
    assert np.isnan(read.loc[1, "estimate"])
    assert read.loc[0, "estimate"] == 1 / 3


def test_a_curve_that_reached_zero_says_so():
    curve = kaplan_meier([1, 2], [1, 1])
    assert curve.notes == ("reached_zero",)
    assert np.isnan(curve.upper[-1])


def test_few_clusters_are_noted_and_widen_the_limits():
    cluster = np.arange(N) // 10
    few, rows = (kaplan_meier(TIME, EVENT, cluster=c) for c in (cluster, None))
    assert "few_clusters" in few.notes
    assert "few_clusters" not in rows.notes
    z, t = 1.959963984540054, 2.2621571628540993  # t quantile at 9 degrees of freedom, tables
    k = 40
    half = np.log(np.log(few.lower[k]) / np.log(few.estimate[k]))
    width = half * -few.estimate[k] * np.log(few.estimate[k]) / few.se[k]
    assert width == pytest.approx(t, rel=1e-9)
    assert width > z


def test_horizon_of_enough_clusters():
    curve = kaplan_meier([1, 2, 3, 4], [1, 0, 1, 0], cluster=["a", "a", "b", "c"])
    assert curve.clusters_at_risk.tolist() == [3, 3, 2, 1]
    assert last_time_with(curve, 2) == 3
    assert last_time_with(curve, 4) is None


def test_restricted_mean_beyond_follow_up():
    error = refusal(restricted_mean, as_spells([1, 2, 3], [1, 0, 0]), 4)
    assert (error.reason, error.counts["last_observed"]) == ("horizon_beyond_follow_up", 3)
    # A curve at 0 has no area left to miss.
    assert restricted_mean(as_spells([1, 3], [1, 1]), 4).estimate == 2


def test_groups_that_cannot_be_compared():
    assert refusal(log_rank, as_spells(TIME, EVENT), np.zeros(N)).reason == "one_group"
    assert refusal(log_rank, as_spells(TIME, EVENT & False), GROUP).reason == "no_events"
    apart = as_spells([1, 2, 3, 4], [1, 1, 1, 1])
    error = refusal(log_rank, apart, [0, 0, 1, 1], strata=[0, 0, 1, 1])
    assert error.reason == "no_contrast"


@pytest.mark.parametrize(
    ("rows", "x", "reason", "counts"),
    [
        ((TIME, EVENT & False), X, "no_events", {"n_rows": N, "n_events": 0}),
        ((TIME, EVENT), np.c_[X, np.ones(N)], "constant_covariate", {"covariate": "x2"}),
        ((TIME, EVENT), np.c_[X, GROUP, X - 2 * GROUP], "collinear_covariates", {}),
        ((TIME, EVENT & (GROUP == 1)), np.c_[X, GROUP], "separation", {"covariate": "x2"}),
        ((TIME + 100 * GROUP, EVENT), np.c_[X, GROUP], "separation", {"covariate": "x2"}),
        ((np.sort(TIME), EVENT | True), np.arange(N), "separation", {"n_events": N}),
        ((np.sort(TIME), EVENT | True), np.exp(np.arange(N) / 5), "separation", {"n_events": N}),
        ((TIME, EARLIEST), np.where(EARLIEST, 9, X), "separation", {"n_events": 1}),
        ((TIME, EVENT), np.where(X > 2, np.nan, X), "missing_values", {"column": "x1"}),
        ((TIME, EVENT), X[:-1], "lengths_differ", {"found": N - 1}),
        ((TIME, EVENT * 2), X, "event_not_zero_or_one", {}),
        ((np.ones(N), EVENT | True), X, "no_contrast_at_events", {"n_events": N}),
    ],
)  # fmt: skip
def test_models_that_cannot_be_fitted(rows, x, reason, counts):
    error = refusal(cox, as_spells(*rows), x)
    assert error.reason == reason
    assert error.counts.items() >= counts.items()


def test_a_covariate_that_varies_only_between_strata():
    error = refusal(cox, as_spells(TIME, EVENT), pd.DataFrame({"a": X, "g": GROUP}), strata=GROUP)
    assert (error.reason, error.counts["covariate"]) == ("no_contrast_at_events", "g")


def test_one_event_inside_the_range_of_a_covariate_is_estimable():
    middle = np.argsort(TIME)[5]
    fit = cox(as_spells(TIME, np.arange(N) == middle), X)
    assert fit.n_events == 1
    assert np.isfinite(fit.se).all()
    assert refusal(proportionality, fit).reason == "one_event_time"


def test_large_effects_are_not_taken_for_separation():
    fit = cox(as_spells(TIME * np.exp(-5 * X), EVENT), X)
    assert 4 < fit.coefficients[0] < 7


def test_predictions_stop_where_follow_up_stops():
    fit = cox(as_spells(TIME, EVENT), X)
    found = predicted_survival(fit, [0.0], [0.001, TIME.max() + 1])
    assert found["beyond_follow_up"].tolist() == [False, True]
    assert found["estimate"].isna().tolist() == [False, True]
    assert refusal(baseline_hazard, fit, [0.0], stratum=4).reason == "no_events_in_stratum"


def test_clustered_error_of_a_prediction_against_leaving_out_one():
    rows = np.arange(60)
    cluster = rows // 2
    everyone = cox(as_spells(TIME[:60], EVENT[:60], cluster=cluster), X[:60])
    found = predicted_survival(everyone, [1.0], [0.5])["se"][0]
    left_out = [
        predicted_survival(cox(as_spells(TIME[k], EVENT[k]), X[k]), [1.0], [0.5])["estimate"][0]
        for k in (rows[cluster != c] for c in range(30))
    ]
    jackknife = np.sqrt(29 / 30 * np.sum((left_out - np.mean(left_out)) ** 2))
    # The jackknife is a little wider: first order against one whole cluster left out.
    assert found == pytest.approx(jackknife, rel=0.1)


def test_incidence_of_causes_that_did_not_happen():
    curves = aalen_johansen([1, 2], [0, 0])
    assert curves.notes == ("no_events",)
    assert np.isnan(curves.upper).all()
    three = incidence(as_spells([1, 2, 3], [1, 0, 2]), n_causes=3)
    assert three.n_events.tolist() == [1, 1, 0]
    assert refusal(incidence, as_spells([1, 2], [1, 3]), n_causes=2).reason == "cause_out_of_range"


def test_subdistribution_refuses_what_it_cannot_weigh():
    assert refusal(fine_gray, as_spells([2, 3], [1, 2], entry=[0, 1]), [0, 1]).reason == (
        "entry_not_supported"
    )
    assert refusal(fine_gray, as_spells([2, 3], [2, 0]), [0, 1]).reason == "no_events"


@pytest.mark.parametrize(
    ("left", "right", "reason"),
    [
        ([], [], "no_rows"),
        ([1, 2], [2], "lengths_differ"),
        ([1, np.nan], [2, 3], "missing_values"),
        ([1, 2], [2, np.nan], "missing_values"),
        ([-1, 2], [2, 3], "negative_time"),
        ([3, 2], [2, 3], "left_after_right"),
    ],
)
def test_intervals_that_cannot_be_read(left, right, reason):
    assert refusal(turnbull, left, right).reason == reason


def test_intervals_without_events():
    found = turnbull([1, 4], [np.inf, np.inf])
    assert (found.left.tolist(), found.right.tolist()) == ([4], [np.inf])
    error = refusal(interval_regression, [1, 4], [np.inf, np.inf], [0, 1], family=WEIBULL)
    assert error.reason == "no_events"


def test_interval_regression_names_what_separates():
    left = np.ceil(TIME * 10)
    right = np.where(GROUP == 1, np.inf, left + 2)
    error = refusal(interval_regression, left, right, np.c_[X, GROUP], family=WEIBULL)
    assert (error.reason, error.counts["covariate"]) == ("separation", "x2")
    constant = refusal(interval_regression, left, right, np.ones(N), family=WEIBULL)
    assert constant.reason == "constant_covariate"


def test_a_bootstrap_that_mostly_fails_is_refused():
    def statistic(rows):
        if len(np.unique(rows)) < N:
            raise NotEstimableError("no_events", n_rows=len(rows))
        return 1.0

    plan = BootstrapPlan(n_resamples=30)
    error = refusal(
        bootstrap_rows, statistic, np.arange(N), rng=np.random.default_rng(1), plan=plan
    )
    assert (error.reason, error.counts["n_failed"]) == ("too_few_replicates", 30)
