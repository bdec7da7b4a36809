"""Funnel limits, overdispersion and shrinkage against R, printed figures and definitions."""

import numpy as np
import pytest
from scipy import stats

from analytics.errors import NotEstimableError
from analytics.stats.funnel import (
    adjusted_z,
    binomial_limits,
    expected_false_flags,
    outside,
    overdispersion,
    poisson_limits,
    quantile_with_spread,
    unlike_quantile,
    widened,
    z_scores,
)
from analytics.stats.rates import standardised_ratio
from analytics.stats.shrinkage import beta_binomial, gamma_poisson


def test_binomial_limits_equal_r():
    """R 4.2.2 qbinom and pbinom with the same rule, target .1; 13 digits, hence 1e-12."""
    n = [20, 50, 100, 500]
    low, high = binomial_limits(0.1, n, level=0.95, clip=False)
    assert low == pytest.approx(
        [-0.03971842082504, 0.01386292695734, 0.04038059552439, 0.07344752831176], abs=1e-12
    )
    assert high == pytest.approx(
        [0.2284676070299, 0.1797227276234, 0.1577186116391, 0.1260148988918], abs=1e-12
    )
    low, high = binomial_limits(0.1, n, level=0.998, clip=False)
    assert low == pytest.approx(
        [-0.049588736833, -0.01611934956503, 0.01417886500843, 0.05998868654769], abs=1e-12
    )
    assert high == pytest.approx(
        [0.3351718216853, 0.2401284187524, 0.1983567185029, 0.1426893129644], abs=1e-12
    )


# Limits at p = .001, .025, .975, .999; computed apart from this code, to four decimals.
LIMITS = [
    (0.10, 50, 0, 0.0139, 0.1797, 0.2401),
    (0.10, 100, 0.0142, 0.0404, 0.1577, 0.1984),
    (0.10, 200, 0.0379, 0.0577, 0.1410, 0.1686),
    (0.20, 50, 0.0348, 0.0844, 0.3071, 0.3791),
    (0.20, 100, 0.0810, 0.1197, 0.2765, 0.3268),
    (0.20, 200, 0.1148, 0.1434, 0.2543, 0.2890),
    (0.20, 500, 0.1455, 0.1645, 0.2346, 0.2559),
]


@pytest.mark.parametrize("row", LIMITS)
def test_binomial_limits_of_the_worked_table(row):
    target, n, *want = row
    (low2, high2), (low3, high3) = (binomial_limits(target, n, level=lv) for lv in (0.95, 0.998))
    assert [low3, low2, high2, high3] == pytest.approx(want, abs=0.000051)


def test_limits_approach_the_normal_ones():
    """R: .1 + 3.0902 sqrt(.09 / n), upper 99.8%, is .1414598 at n = 500 (exact .1426893).

    The gap falls as 1/n (skewness), so at n = 50 000 it must be below 1.5e-5.
    """
    normal = 0.1 + stats.norm.ppf(0.999) * np.sqrt(0.09 / np.array([500, 50_000]))
    assert normal[0] == pytest.approx(0.1414598170149, abs=1e-9)
    exact = binomial_limits(0.1, [500, 50_000])[1]
    assert abs(exact - normal)[1] < 1.5e-5 < abs(exact - normal)[0]


def test_poisson_limits_are_the_limit_of_binomial_ones():
    """A rare event: binomial with n = 2e7 and mean 12 against Poisson with mean 12.

    They differ by terms of order 12 / n times the count, hence 1e-4 on counts.
    """
    poisson = np.array(poisson_limits(1.0, 12.0)) * 12
    binomial = np.array(binomial_limits(12 / 2e7, 2e7)) * 2e7
    assert poisson == pytest.approx(binomial, abs=1e-4)


def test_share_of_in_control_units_outside_is_as_stated():
    """Exact enumeration over sizes 20 to 500: near 0.2% on average, never above 1%.

    Single sizes depart because counts are whole; the tolerance is what discreteness leaves.
    """
    n = np.arange(20, 501)
    for target in (0.1, 0.2, 0.5):
        k = np.arange(501)[:, None]
        chance = stats.binom.pmf(k, n, target)
        flagged = outside(k / n, binomial_limits(target, n, clip=False)) != 0
        rates = (chance * flagged).sum(axis=0)
        assert rates.mean() == pytest.approx(0.002, abs=0.0003)
        assert rates.max() < 0.01


def test_published_false_alarm_of_prediction_limits():
    """BMC Med Res Methodol 2012 12:98, abstract: median chance of lying above the upper 95% limit.

    In-control providers with up to 50 expected events: .0301 with Wald intervals, .0121 with
    exact ones, .0201 with prediction limits. Recomputed by others on E = .1 to 50: .0302,
    .0120, .0200; ours is the last with the quantile as limit, without interpolation.
    """
    e = np.arange(1, 501) / 10
    over_quantile = stats.poisson.sf(stats.poisson.ppf(0.975, e), e)
    assert np.median(over_quantile) == pytest.approx(0.0201, abs=0.0002)
    # Interpolated limits lie at or inside the quantile, so they flag at least as often.
    upper = poisson_limits(1.0, e, level=0.95)[1] * e
    interpolated = stats.poisson.sf(np.ceil(upper) - 1, e)
    assert (interpolated >= over_quantile).all()
    # The exact interval about the expected events themselves, used as limits: .0121.
    about_expected = np.floor(standardised_ratio(e, 1.0).upper)
    assert np.median(stats.poisson.sf(about_expected, e)) == pytest.approx(0.0121, abs=0.0002)


EVENTS = np.array([6, 12, 9, 30, 22, 41, 18, 55, 15, 70])
ROWS = np.array([40, 60, 75, 120, 150, 180, 60, 260, 140, 300])


@pytest.fixture
def toy():
    target = EVENTS.sum() / ROWS.sum()
    se = np.sqrt(target * (1 - target) / ROWS)
    return target, se, z_scores(EVENTS / ROWS, target, se)


def test_overdispersion_of_the_worked_units(toy):
    """Ten units worked apart from this code (numpy linear quantiles), to the digits given."""
    target, se, z = toy
    assert target == pytest.approx(0.200722, abs=5e-7)
    assert z == pytest.approx(
        [-0.801, -0.014, -1.745, 1.348, -1.653, 0.906, 1.920, 0.435, -2.764, 1.410], abs=0.00051
    )
    assert (z**2).mean() == pytest.approx(2.2564, abs=5e-5)
    got = overdispersion(z, se, corrected=False)
    assert [got.clipped.min(), got.clipped.max()] == pytest.approx([-1.8472, 1.4612], abs=5e-5)
    assert got.phi == pytest.approx(1.6783, abs=5e-5)
    assert got.tau2 == pytest.approx(0.0010435, abs=5e-8)
    assert np.sqrt(got.tau2) == pytest.approx(0.03230, abs=5e-6)
    assert adjusted_z(z, se, spread=got)[8] == pytest.approx(-2.000, abs=5e-4)
    assert adjusted_z(z, se, spread=got, multiplicative=True)[8] == pytest.approx(-2.134, abs=5e-4)


def test_correction_restores_one_for_units_in_control():
    """Standard normal scores have phi = 1; pulled in at 10% they have .679 without correction.

    200 000 scores: Monte Carlo error of phi about .003.
    """
    z = np.random.default_rng(5).standard_normal(200_000)
    se = np.ones(z.size)
    assert overdispersion(z, se).phi == pytest.approx(1.0, abs=0.01)
    assert overdispersion(z, se, corrected=False).phi == pytest.approx(0.6787, abs=0.01)


def test_limits_are_never_narrowed(toy):
    target, se, z = toy
    calm = overdispersion(z / 10, se)
    exact = binomial_limits(target, ROWS)
    assert (calm.phi < 1, calm.tau2) == (True, 0.0)
    for before, after in zip(exact, widened(exact, target, se, spread=calm), strict=True):
        assert after == pytest.approx(before, rel=1e-14)  # rounding alone
    assert adjusted_z(z, se, spread=calm, multiplicative=True) == pytest.approx(z, abs=0)
    # 99.9% points as in printed tables (from memory, NIST e-Handbook 1.3.6.7): normal 3.090 and
    # Student's t on 4 degrees of freedom 7.173.
    assert quantile_with_spread(0.998, spread=calm) == pytest.approx(3.090, abs=5e-4)
    five = overdispersion([-3.0, 3.0, 0.5, 4.0, -2.0], np.ones(5))
    assert five.tau2 > 0
    assert quantile_with_spread(0.998, spread=five) == pytest.approx(7.173, abs=5e-4)
    assert unlike_quantile(5, tail=0.001, spread=five) == pytest.approx(7.173, abs=5e-4)
    wild = overdispersion(z, se)
    low, high = widened(exact, target, se, spread=wild)
    assert (low < exact[0]).all()
    assert (high > exact[1]).all()


@pytest.mark.parametrize("n_others", [4, 13])
def test_a_unit_like_the_others_is_seldom_unlike_them_whatever_their_spread(n_others):
    # By simulation: the others show no spread, and one more of them lies beyond the quantile.
    rng, tail, n = np.random.default_rng(12), 0.002, 200_000
    flat = overdispersion(np.zeros(n_others), np.ones(n_others))
    quantile = unlike_quantile(n_others, tail=tail, spread=flat)
    chance = []
    for times in (1.0, 1.5, 2.0, 3.0, 4.0, 6.0):
        z = times * rng.standard_normal((n, n_others + 1))
        shows_none = (z[:, 1:] ** 2).sum(axis=1) < n_others - 1
        chance.append((shows_none & (np.abs(z[:, 0]) > quantile)).mean())
    assert max(chance) <= 2 * tail + 3 * np.sqrt(2 * tail / n)
    assert max(chance) >= tail  # no wider than it takes


def test_large_units_meet_the_additive_normal_limits(toy):
    """At 3 million rows skewness is gone: target +- 3.0902 sqrt(se^2 + tau2), within 1e-4."""
    target, se, z = toy
    spread = overdispersion(z, se)
    n = 3_000_000
    error = np.sqrt(target * (1 - target) / n)
    low, high = widened(binomial_limits(target, n), target, error, spread=spread)
    want = stats.norm.ppf(0.999) * np.sqrt(error**2 + spread.tau2)
    assert [target - low, high - target] == pytest.approx([want, want], rel=2e-3)


def test_expected_false_flags():
    """20 units, one measure: 1 outside the 95% limits and 0.04 outside the 99.8% limits."""
    assert expected_false_flags(20, level=0.95) == pytest.approx(1.0)
    assert expected_false_flags(20, n_measures=3) == pytest.approx(0.12)


def test_beta_binomial_prior_is_the_likelihoods_best():
    """scipy.stats.betabinom as an independent likelihood: no neighbour is better."""
    got = beta_binomial(EVENTS, ROWS)

    def likelihood(mean, strength):
        return stats.betabinom.logpmf(EVENTS, ROWS, mean * strength, (1 - mean) * strength).sum()

    best = likelihood(got.mean, got.strength)
    for mean, strength in ((1.002, 1), (0.998, 1), (1, 1.02), (1, 0.98)):
        assert likelihood(got.mean * mean, got.strength * strength) < best
    posterior = stats.beta(got.mean * got.strength + 15, (1 - got.mean) * got.strength + 125)
    assert [got.estimate[8], got.lower[8]] == pytest.approx(
        [posterior.mean(), posterior.ppf(0.025)], abs=1e-12
    )


def test_gamma_poisson_is_a_negative_binomial():
    """Observed counts are negative binomial; scipy's likelihood has no better neighbour."""
    expected = ROWS * 0.2
    got = gamma_poisson(EVENTS, expected)

    def likelihood(mean, strength):
        shape = mean * strength
        return stats.nbinom.logpmf(EVENTS, shape, strength / (strength + expected)).sum()

    best = likelihood(got.mean, got.strength)
    for mean, strength in ((1.002, 1), (0.998, 1), (1, 1.02), (1, 0.98)):
        assert likelihood(got.mean * mean, got.strength * strength) < best


def test_units_that_do_not_vary_share_the_pooled_exact_interval():
    got = beta_binomial([10, 20, 30], [100, 200, 300])
    assert np.isinf(got.strength)
    exact = stats.binomtest(60, 600).proportion_ci(method="exact")
    assert got.lower == pytest.approx(np.full(3, exact.low), abs=1e-12)
    assert got.weight == pytest.approx(np.zeros(3), abs=0)


def test_too_few_units_say_so():
    with pytest.raises(NotEstimableError, match=r"too_few_units \(n_units=2\)"):
        beta_binomial([1, 2, 0], [10, 10, 0])
    with pytest.raises(NotEstimableError, match="no_events"):
        gamma_poisson([0, 0, 0], [3.0, 2.0, 1.0])
    with pytest.raises(NotEstimableError, match="all_events"):
        beta_binomial([3, 3, 3], [3, 3, 3])
    with pytest.raises(NotEstimableError, match="too_few_units"):
        overdispersion([1.0], [1.0])
    with pytest.raises(NotEstimableError, match="target_out_of_range"):
        binomial_limits(0.0, 10)
    assert np.isnan(binomial_limits(0.2, 0)[0])
