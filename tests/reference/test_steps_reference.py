"""Discrete-time hazards and simulation-extrapolation against other routes to the same number."""

import numpy as np
import pandas as pd
import pytest
import statsmodels.api as sm

from analytics.errors import NotEstimableError
from analytics.stats.counts import log_linear
from analytics.stats.marginal import uncorrected
from analytics.stats.measurement import MeasurementError, error_sd, extrapolate_error
from analytics.stats.steps import NEVER, fit_steps, mean_steps, step_chances

NO_COVARIATE = np.empty((1, 0))


def simulate(n, rng, *, slope):
    """Steps under a known hazard, censored in three rows of ten after one to five steps."""
    x = rng.integers(0, 13, n) / 2
    step = np.arange(1, 31)
    hazard = 1 - np.exp(-np.exp(-3 + 0.5 * step + slope * (x[:, None] - 4)))
    steps = 1 + np.argmax(rng.random((n, 30)) < hazard, axis=1)
    stop = np.where(rng.random(n) < 0.3, rng.integers(1, 6, n), 99)
    return x, steps, np.minimum(steps, stop), steps <= stop


def test_without_covariates_it_is_the_life_table():
    """Drawn by hand: one event of ten at step 2, two of eight at 3 (one lost at 2), and so on."""
    steps = [2, 3, 3, 4, 4, 4, 5, 6, 3, 2]
    done = [1, 1, 1, 1, 1, 1, 1, 1, 0, 0]
    model = fit_steps(steps, done, np.empty((10, 0)), least_events=1)
    table = step_chances(model, NO_COVARIATE)
    assert model.band_of_step.tolist() == [NEVER, 0, 1, 2, 3, 3]
    # Steps 5 and 6 share a hazard of 2 events in 3 rows: the last unit standing has none alone.
    not_yet = np.cumprod([1, 9 / 10, 6 / 8, 2 / 5, 1 / 3, 1 / 3])
    assert table["not_yet"].to_numpy() == pytest.approx(not_yet, abs=1e-9)
    assert table["chance"].sum() == pytest.approx(1 - not_yet[-1], abs=1e-9)
    assert mean_steps(model, NO_COVARIATE).estimate[0] == pytest.approx(
        1 + not_yet[:-1].sum(), abs=1e-9
    )


def test_hazard_model_equals_statsmodels():
    """statsmodels GEE, independence, complementary log-log, on hand-expanded rows.

    Its robust error is uncorrected and uses the expected information, as ours and as R's
    sandwich on a glm (statsmodels' GLM takes the observed one, 3% away here); both iterate to
    convergence, hence 1e-7.
    """
    rng = np.random.default_rng(4)
    x, _, seen, done = simulate(600, rng, slope=-0.3)
    cluster = np.repeat(np.arange(300), 2)
    model = fit_steps(seen, done, x, cluster=cluster)
    lines = [
        (unit, step, float(done[unit] and step == seen[unit]))
        for unit in range(600)
        for step in range(1, seen[unit] + 1)
    ]
    long = pd.DataFrame(lines, columns=["unit", "step", "event"])
    band = model.band_of_step[long["step"] - 1]
    long, band = long[band != NEVER], band[band != NEVER]
    design = np.column_stack([np.eye(band.max() + 1)[band], x[long["unit"]]])
    binomial = sm.families.Binomial(sm.families.links.CLogLog())
    want = sm.GEE(
        long["event"].to_numpy(), design, groups=cluster[long["unit"]], family=binomial
    ).fit(ctol=1e-12, maxiter=200)
    got = uncorrected(model.fit)
    assert got.coefficients == pytest.approx(want.params, abs=1e-7)
    assert np.sqrt(np.diag(got.covariance)) == pytest.approx(want.bse, abs=1e-7)


def test_censored_series_do_not_bias_the_mean_and_complete_ones_do():
    """Truth: the mean of 40 000 steps before censoring at each score; three errors allowed.

    Leaving the unfinished out makes the mean too small by more than 0.1 steps here.
    """
    rng = np.random.default_rng(2)
    x, steps, seen, done = simulate(40_000, rng, slope=-0.3)
    model = fit_steps(seen, done, x)
    for score in (2.0, 5.0):
        at = x == score
        got = mean_steps(model, [[score]])
        error = np.hypot(
            steps[at].std() / np.sqrt(at.sum()), (got.upper[0] - got.lower[0]) / (2 * 1.96)
        )
        assert got.estimate[0] == pytest.approx(steps[at].mean(), abs=3 * error)
        assert seen[at & done].mean() < steps[at].mean() - 0.1


def test_interval_of_the_mean_is_a_delta_method_on_the_coefficients():
    """The gradient by finite differences of the prediction itself, to 1e-6."""
    from dataclasses import replace

    rng = np.random.default_rng(7)
    x, _, seen, done = simulate(500, rng, slope=-0.3)
    model = fit_steps(seen, done, x)
    fit, gradient = model.fit, []
    for move in np.diag(np.full(fit.coefficients.size, 1e-6)):
        up, down = (
            mean_steps(replace(model, fit=replace(fit, coefficients=fit.coefficients + s)), [[4.0]])
            for s in (move, -move)
        )
        gradient.append((up.estimate[0] - down.estimate[0]) / 2e-6)
    se = np.sqrt(np.array(gradient) @ fit.covariance @ np.array(gradient))
    got = mean_steps(model, [[4.0]])
    from scipy import stats

    half = stats.t.ppf(0.975, fit.degrees) * se / got.estimate[0]
    assert got.upper[0] == pytest.approx(got.estimate[0] * np.exp(half), rel=1e-6)


def test_nobody_finished_is_refused():
    with pytest.raises(NotEstimableError, match=r"no_events \(n_units=3\)"):
        fit_steps([2, 3, 4], [0, 0, 0], np.empty((3, 0)))
    with pytest.raises(NotEstimableError, match="not_whole_numbers"):
        fit_steps([2, 2.5, 4], [1, 1, 0], np.empty((3, 0)))
    with pytest.raises(NotEstimableError, match="all_events"):
        fit_steps([2, 2, 2], [1, 1, 1], np.empty((3, 0)))


def line(design, y):
    """Least squares on columns: coefficients and their covariance."""
    beta, rest, *_ = np.linalg.lstsq(design, y, rcond=None)
    return beta, rest[0] / (y.size - 2) * np.linalg.inv(design.T @ design)


def test_extrapolation_of_a_straight_line():
    """Errors in a linear slope: attenuation is known, var / (var + (1 + multiple) sd^2).

    Cook & Stefanski 1994. The quadratic through five exact points of that curve, taken to -1,
    is what simulation should return up to its noise.
    """
    rng = np.random.default_rng(3)
    x = rng.normal(0, 1, 20_000)
    measured = x + rng.normal(0, 0.5, x.size)
    y = 2 * x + rng.normal(0, 0.5, x.size)
    design = np.column_stack([np.ones(x.size), measured])
    multiples = np.array([0, 0.5, 1, 1.5, 2])
    exact = 2 / (1 + 0.25 * (1 + multiples))
    at_none = np.polyval(np.polyfit(multiples, exact, 2), -1)
    got = extrapolate_error(
        lambda d: line(d, y), design, error=MeasurementError(1, 0.5, repeats=40), rng=rng
    )
    assert got.path["coefficient"].to_numpy() == pytest.approx(exact, abs=0.03)
    assert got.coefficients[1] == pytest.approx(at_none, abs=0.06)
    assert abs(got.coefficients[1] - 2) < abs(got.naive[1] - 2) / 4
    assert got.covariance[1, 1] > line(design, y)[1][1, 1]


def test_extrapolated_errors_are_those_of_repeated_studies():
    """120 studies of 200 rows: their spread (error 6%) against the mean error reported.

    The formula is an approximation; 25% covers it and the Monte Carlo error together.
    """
    rng = np.random.default_rng(8)
    found, reported = [], []
    for _ in range(120):
        x = rng.normal(0, 1, 200)
        y = 2 * x + rng.normal(0, 0.5, 200)
        design = np.column_stack([np.ones(200), x + rng.normal(0, 0.5, 200)])
        got = extrapolate_error(
            lambda d, y=y: line(d, y), design, error=MeasurementError(1, 0.5, repeats=30), rng=rng
        )
        found.append(got.coefficients[1])
        reported.append(got.covariance[1, 1])
    assert np.sqrt(np.mean(reported)) == pytest.approx(np.std(found), rel=0.25)


def test_extrapolation_of_a_log_linear_count():
    """True rate ratio exp(.2) per point; the naive slope is flatter by a third."""
    rng = np.random.default_rng(5)
    x = rng.integers(0, 13, 20_000) / 2
    y = rng.poisson(np.exp(0.5 + 0.2 * x))
    design = np.column_stack([np.ones(x.size), x + rng.normal(0, 1, x.size)])

    def estimate(columns):
        fit = log_linear(y, columns)
        return fit.coefficients, fit.covariance

    got = extrapolate_error(estimate, design, error=MeasurementError(1, 1.0, repeats=8), rng=rng)
    assert got.naive[1] < 0.17
    assert got.coefficients[1] == pytest.approx(0.2, abs=0.02)


def test_error_of_a_score_with_known_reliability():
    """Reliability .75 leaves a quarter of the variance to error: half the deviation."""
    values = np.array([1.0, 2.0, 3.0, 4.0])
    assert error_sd(values, reliability=0.75) == pytest.approx(np.std(values, ddof=1) / 2)
    with pytest.raises(NotEstimableError, match="reliability_out_of_range"):
        error_sd(values, reliability=0.0)
