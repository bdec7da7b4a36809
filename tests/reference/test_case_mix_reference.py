"""Case mix, ratios of sums and linearity against independent routes to the same numbers."""

import numpy as np
import pandas as pd
import pytest
import statsmodels.api as sm
from scipy import optimize

from analytics.errors import NotEstimableError
from analytics.stats.case_mix import calibration_line, calibration_table, shrunken_logistic
from analytics.stats.counts import log_linear, logistic
from analytics.stats.linearity import knots_of, restricted_cubic, wald_test
from analytics.stats.marginal import coefficient_interval
from analytics.stats.spread import clustered_ratio

RNG = np.random.default_rng(17)
N = 600
X = np.column_stack([RNG.normal(4, 1.3, N), RNG.random(N) < 0.3])
CHANCE = 1 / (1 + np.exp(3 - 0.6 * X[:, 0] - 0.5 * X[:, 1]))
EVENT = (RNG.random(N) < CHANCE).astype(float)
CLUSTER = np.repeat(np.arange(N // 2), 2)


def test_weak_prior_is_ordinary_logistic_regression():
    """A prior deviation of 1e4 moves a coefficient by less than its square over 1e8."""
    got = shrunken_logistic(EVENT, X, prior_sd=1e4)
    want = logistic(EVENT, np.column_stack([np.ones(N), X]))
    assert got.coefficients == pytest.approx(want.coefficients, abs=1e-6)


def test_prior_maximises_the_penalised_likelihood():
    """scipy's BFGS on the written-out criterion, to its gradient tolerance."""
    z = np.column_stack([np.ones(N), (X - X.mean(axis=0)) / X.std(axis=0)])

    def loss(beta):
        eta = z @ beta
        return (np.logaddexp(0, eta) - EVENT * eta).sum() + (beta[1:] ** 2).sum() / (2 * 0.3**2)

    best = optimize.minimize(loss, np.zeros(3), method="BFGS", options={"gtol": 1e-7})
    got = shrunken_logistic(EVENT, X, prior_sd=0.3)
    assert got.coefficients[1:] * X.std(axis=0) == pytest.approx(best.x[1:], abs=1e-5)
    assert got.chance.sum() == pytest.approx(EVENT.sum(), abs=1e-8)


def test_separation_and_constant_columns_have_an_answer():
    x = np.column_stack([np.arange(40) > 19, np.full(40, 3.0)])
    got = shrunken_logistic(np.arange(40) > 19, x)
    assert got.coefficients[2] == pytest.approx(0, abs=1e-12)
    assert 1 < got.coefficients[1] < 20
    assert got.chance.sum() == pytest.approx(20, abs=1e-8)
    with pytest.raises(NotEstimableError, match=r"no_events \(n_rows=40\)"):
        shrunken_logistic(np.zeros(40), x)
    with pytest.raises(NotEstimableError, match=r"missing_values \(n_rows=1\)"):
        shrunken_logistic([1.0, 0.0, np.nan], np.ones((3, 1)))


def test_ratio_of_sums_is_the_survey_ratio_estimator():
    """Poisson regression on a constant with offset has the same ratio and clustered error.

    Its score is the sum of observed less ratio times expected, cluster by cluster; HC1's
    further factor (n - 1)/(n - p) is 1 with one coefficient.
    """
    y, expected = RNG.poisson(3, N) + 1.0, RNG.uniform(2, 5, N)
    one = np.zeros(N, dtype=int)
    got = clustered_ratio(y, expected, CLUSTER, group=one, n_groups=1)
    want = log_linear(y, np.ones((N, 1)), cluster=CLUSTER, exposure=expected, exchangeable=False)
    interval = coefficient_interval(want)
    assert np.log(got.estimate[0]) == pytest.approx(want.coefficients[0], abs=1e-10)
    assert np.log(got.upper[0]) == pytest.approx(interval.upper[0], abs=1e-9)


def test_calibration_of_the_truth():
    """True chances: intercept 0 and slope 1 within three of their own errors; bins hold it."""
    drawn = (np.random.default_rng(1).random(N) < CHANCE).astype(float)
    line = calibration_line(drawn, CHANCE, cluster=CLUSTER)
    error = np.sqrt(np.diag(line.covariance))
    assert np.abs(line.coefficients - [0, 1]) / error == pytest.approx([0, 0], abs=3)
    table = calibration_table(EVENT, CHANCE)
    assert (table["n"].tolist(), table["events"].sum()) == ([60] * 10, EVENT.sum())
    assert table["predicted"].is_monotonic_increasing
    doubled = calibration_line(EVENT, 1 / (1 + np.exp(-2 * np.log(CHANCE / (1 - CHANCE)))))
    assert doubled.coefficients[1] == pytest.approx(
        calibration_line(EVENT, CHANCE).coefficients[1] / 2, abs=1e-8
    )
    assert len(calibration_table(EVENT, np.full(N, 0.3))) == 1


def test_spline_is_straight_outside_and_smooth_inside():
    """Definition: second differences vanish beyond the outer knots; knots of 1..9 by hand."""
    knots = knots_of(np.arange(1, 10), n_knots=3)
    assert knots == pytest.approx([1.8, 5.0, 8.2])
    basis = restricted_cubic(np.r_[-5.0, -4, -3, 20, 21, 22], knots)
    for part in (basis[:3], basis[3:]):
        assert np.diff(part, n=2, axis=0) == pytest.approx(np.zeros((1, 2)), abs=1e-9)
    assert basis[:3, 1] == pytest.approx(np.zeros(3))
    # The curve itself at the middle knot: (5 - 1.8)^3 / (8.2 - 1.8)^2 by hand.
    assert restricted_cubic([5.0], knots)[0, 1] == pytest.approx(3.2**3 / 6.4**2)
    with pytest.raises(NotEstimableError, match="too_few_values"):
        knots_of([1.0, 1.0, 1.0])


def test_wald_test_equals_statsmodels():
    """wald_test of a clustered Poisson GLM with the F distribution, same correction."""
    y = RNG.poisson(np.exp(0.5 + 0.2 * X[:, 0]))
    basis = restricted_cubic(X[:, 0], knots_of(X[:, 0]))
    design = np.column_stack([np.ones(N), basis])
    fit = log_linear(y, design, cluster=CLUSTER, exchangeable=False)
    model = sm.GLM(y, design, family=sm.families.Poisson()).fit(
        cov_type="cluster", cov_kwds={"groups": CLUSTER}, tol=1e-14
    )
    want = model.wald_test(np.eye(4)[2:], use_f=True, scalar=True)
    got = wald_test(fit, [2, 3])
    assert got.f == pytest.approx(float(want.statistic), rel=1e-7)
    assert got.degrees == (2, 296)
    assert 0 < got.p < 1


def test_wald_test_holds_its_level_on_a_line_and_finds_a_bend():
    """300 lines: 5% false alarms, Monte Carlo error 1.3%."""
    rng = np.random.default_rng(5)
    x = rng.integers(0, 13, 200) / 2
    basis = restricted_cubic(x, knots_of(x))
    design = np.column_stack([np.ones(200), basis])
    cluster = np.repeat(np.arange(100), 2)

    def p_value(mean):
        y = rng.poisson(mean)
        return wald_test(log_linear(y, design, cluster=cluster, exchangeable=False), [2, 3]).p

    false = np.mean([p_value(np.exp(1 + 0.1 * x)) < 0.05 for _ in range(300)])
    assert false == pytest.approx(0.05, abs=0.04)
    assert p_value(np.exp(1 + 0.15 * (x - 3) ** 2)) < 1e-6


def test_grouping_of_calibration_survives_nullable_input():
    table = calibration_table(pd.array([1, 0, 1, 0], dtype="Int64"), [0.1, 0.2, 0.8, 0.9], n_bins=2)
    assert table["events"].tolist() == [1, 1]
