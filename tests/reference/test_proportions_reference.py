"""Intervals for proportions and rates against R and published counts."""

import numpy as np
import pytest

from analytics.errors import NotEstimableError
from analytics.stats.contrasts import difference, odds_ratio, ratio, risk_ratio
from analytics.stats.proportions import (
    clopper_pearson,
    clustered_proportion,
    kish_design_effect,
    wilson,
)
from analytics.stats.rates import poisson_rate, rate_ratio, standardised_ratio

# R prints 13 digits and both sides evaluate closed forms or quantiles to machine precision.
R_DIGITS = 1e-12


def test_wilson_equals_prop_test():
    """R 4.2.2 prop.test(x, n, correct = FALSE)."""
    got = wilson([5, 0, 20, 81], [50, 20, 20, 263])
    assert got.lower == pytest.approx(
        [0.04347576493189, 0, 0.8388748419472, 0.2552885198783], abs=R_DIGITS
    )
    assert got.upper == pytest.approx(
        [0.2136023143748, 0.1611251580528, 1, 0.3662095769828], abs=R_DIGITS
    )


def test_wilson_of_newcombes_example():
    """81/263: .2553 to .3662, Newcombe 1998 Table I, quoted from memory, to its 4 decimals."""
    got = wilson(81, 263)
    assert (round(float(got.lower), 4), round(float(got.upper), 4)) == (0.2553, 0.3662)


def test_clopper_pearson_equals_binom_test():
    """R 4.2.2 binom.test(x, n)."""
    got = clopper_pearson([5, 0, 81], [50, 20, 263])
    assert got.lower == pytest.approx([0.03327509358902, 0, 0.2527367455853], abs=R_DIGITS)
    assert got.upper == pytest.approx(
        [0.2181353664342, 0.1684334709831, 0.3676219226014], abs=R_DIGITS
    )


# Counts as published (named beside each); the limits in per cent were computed apart from this
# code, with scipy, and are given to two decimals, hence the tolerance of half a unit there.
PUBLISHED = [
    ("Pinto 2022, children lost", 155, 965, 16.06, 13.88, 18.51, 13.80, 18.53),
    ("QMJ 2024:63, children lost", 197, 1150, 17.13, 15.06, 19.42, 15.00, 19.43),
    ("Smythe 2016, tenotomy, children", 127, 161, 78.88, 71.94, 84.48, 71.76, 84.91),
    ("Kouamo 2014, tenotomy, feet", 34, 41, 82.93, 68.74, 91.47, 67.94, 92.85),
    ("Menon, tenotomy, feet", 51, 59, 86.44, 75.46, 92.97, 75.02, 93.96),
    ("Lebel 2012, tenotomy, children", 41, 56, 73.21, 60.41, 83.04, 59.70, 84.17),
    ("Spiegel 2009, tenotomy, feet", 205, 260, 78.85, 73.48, 83.37, 73.37, 83.65),
    ("Richards 2008, corrected, feet", 252, 267, 94.38, 90.94, 96.57, 90.90, 96.82),
    ("repository 2234330398459505, relapse, children", 43, 119, 36.13, 28.06, 45.07, 27.53, 45.45),
    ("the same, feet", 57, 173, 32.95, 26.38, 40.26, 26.00, 40.49),
]


@pytest.mark.parametrize("row", PUBLISHED, ids=[row[0] for row in PUBLISHED])
def test_published_proportions(row):
    _, k, n, percent, low, high, exact_low, exact_high = row
    score, exact = wilson(k, n), clopper_pearson(k, n)
    got = [score.estimate, score.lower, score.upper, exact.lower, exact.upper]
    assert np.array(got) * 100 == pytest.approx(
        [percent, low, high, exact_low, exact_high], abs=0.0051
    )


def test_poisson_rate_equals_poisson_test():
    """R 4.2.2 poisson.test(10) and poisson.test(0)."""
    got = poisson_rate([10, 0])
    assert got.lower == pytest.approx([4.795388696132, 0], abs=1e-11)
    assert got.upper == pytest.approx([18.390356042018, 3.688879454114], abs=1e-11)


def test_rate_ratio_equals_poisson_test():
    """R 4.2.2 poisson.test(c(11, 6+8+7), c(800, 1083+1050+878)); R's own root search ends 1e-12."""
    got = rate_ratio((11, 21), (800, 3011))
    assert [got.lower, got.upper] == pytest.approx([0.8584264033916, 4.277265943654], abs=1e-11)


def test_standardised_ratio_scales_the_exact_limits():
    """Observed 10 against 5 expected: the limits of R poisson.test(10), divided by 5."""
    got = standardised_ratio(10, 5.0)
    assert [got.estimate, got.lower, got.upper] == pytest.approx(
        [2.0, 4.795388696132 / 5, 18.390356042018 / 5], abs=1e-11
    )


# Haft 2007, J Bone Joint Surg Am 89:487: relapse 15/25 against 6/26 (cells solved from the
# published odds ratio and total); Martinez 2024 (J Pediatr Orthop 44:438) 35/46 against 26/49;
# early against late recurrence 17/23 against 25/63. Limits computed apart from this code and
# given to the decimals here, so half a unit of the last one is the tolerance.
TABLES = [
    ((15, 6), (25, 26), 5.00, (1.49, 16.83), 0.0051),
    ((9, 3), (25, 26), 4.31, (1.01, 18.5), 0.051),
    ((35, 26), (46, 49), 2.815, (1.17, 6.78), 0.0051),
    ((17, 25), (23, 63), 4.307, (1.49, 12.4), 0.051),
    ((18, 18), (19, 31), 13.0, (1.5, 110), 0.51),
]


@pytest.mark.parametrize(("yes", "n", "estimate", "limits", "tolerance"), TABLES)
def test_odds_ratio_of_published_tables(yes, n, estimate, limits, tolerance):
    got = odds_ratio(yes, n)
    assert got.estimate == pytest.approx(estimate, abs=tolerance)
    assert [got.lower[0], got.upper[0]] == pytest.approx(limits, abs=tolerance)


def test_risk_ratio_of_published_table():
    """Haft 2007 as above: 2.600, 1.20 to 5.62."""
    got = risk_ratio((15, 6), (25, 26))
    assert [got.estimate[0], got.lower[0], got.upper[0]] == pytest.approx(
        [2.600, 1.20, 5.62], abs=0.0051
    )


def test_odds_ratio_with_an_empty_cell_equals_the_exact_one():
    """scipy.stats.contingency.odds_ratio is itself checked against R fisher.test by scipy.

    Here by its definition: at the upper limit the chance of a count of 0 or fewer is 2.5%.
    """
    from scipy import stats

    got = odds_ratio((0, 6), (25, 26))
    assert (got.estimate[0], got.lower[0]) == (0, 0)
    chance = stats.nchypergeom_fisher.cdf(0, 51, 6, 25, got.upper[0])
    assert chance == pytest.approx(0.025, abs=1e-8)


def test_difference_equals_newcombes_method_10():
    """statsmodels 0.15 confint_proportions_2indep(method="newcomb"); both closed forms."""
    from statsmodels.stats.proportion import confint_proportions_2indep

    got = difference(wilson(56, 70), wilson(48, 80))
    want = confint_proportions_2indep(56, 70, 48, 80, method="newcomb", compare="diff")
    assert [got.lower, got.upper] == pytest.approx(want, abs=1e-12)
    # Newcombe 1998 Table II, example (a), method 10: .0524 to .3339, quoted from memory.
    assert (round(float(got.lower), 4), round(float(got.upper), 4)) == (0.0524, 0.3339)


def test_ratio_from_intervals_is_near_the_score_interval():
    """Donner & Zou's closed form beside statsmodels' score interval (another method).

    They are different approximations; 5% of the limit is what separates them at these sizes.
    """
    from statsmodels.stats.proportion import confint_proportions_2indep

    got = ratio(wilson(56, 70), wilson(48, 80))
    want = confint_proportions_2indep(56, 70, 48, 80, method="score", compare="ratio")
    assert [got.lower, got.upper] == pytest.approx(want, rel=0.05)


def test_kish_design_effect_of_paired_rows():
    """Half, or 62%, of children with two feet: 1.333, 1.467, 1.383 (formula of Kish 1965)."""
    half, more = [2] * 50 + [1] * 50, [2] * 62 + [1] * 38
    got = [
        kish_design_effect(half, 0.5),
        kish_design_effect(half, 0.7),
        kish_design_effect(more, 0.5),
    ]
    assert got == pytest.approx([1.333, 1.467, 1.383], abs=0.00051)


def test_clustered_error_of_concordant_pairs():
    """35 children: 11 with two feet and 3 with one relapsed, 14 with two and 7 with one not.

    Counts: Holt's series, read from a summary; p .4167, cluster error .0878 with the factor
    k/(k-1), naive .0636, effect 1.90, computed apart from this code and given to 4 digits.
    """
    sizes = np.r_[np.full(11, 2), np.full(3, 1), np.full(14, 2), np.full(7, 1)]
    relapsed = np.repeat(np.arange(35) < 14, sizes)
    got = clustered_proportion(relapsed, np.repeat(np.arange(35), sizes))
    naive = np.sqrt(got.estimate * (1 - got.estimate) / 60)
    assert (got.n[0], got.n_clusters[0]) == (60, 35)
    assert [got.estimate[0], got.se[0]] == pytest.approx([0.4167, 0.0878], abs=0.00006)
    assert (got.se / naive)[0] ** 2 == pytest.approx(1.90, abs=0.0051)


def test_cluster_variance_equals_the_survey_formula():
    """statsmodels OLS on a constant with clustered errors and the factor C/(C-1).

    Its df correction (n-1)/(n-1) is 1 with one coefficient, so both are the same sum.
    """
    import statsmodels.api as sm

    rng = np.random.default_rng(3)
    cluster = rng.integers(0, 30, 100)
    yes = rng.random(100) < 0.3
    fit = sm.OLS(yes.astype(float), np.ones(100)).fit(
        cov_type="cluster", cov_kwds={"groups": cluster}
    )
    assert clustered_proportion(yes, cluster).se[0] == pytest.approx(fit.bse[0], rel=1e-12)


def test_rows_without_a_yes_get_exact_limits_on_clusters():
    """0 of 62: upper limit 1 - .025^(1/62); paired feet count as 62 children, not as 124."""
    single = clustered_proportion(np.zeros(62), np.arange(62))
    paired = clustered_proportion(np.zeros(124), np.repeat(np.arange(62), 2))
    assert single.upper[0] == pytest.approx(1 - 0.025 ** (1 / 62), abs=R_DIGITS)
    assert paired.upper[0] == pytest.approx(single.upper[0], abs=R_DIGITS)
    assert clustered_proportion(np.ones(62), np.arange(62)).lower[0] == pytest.approx(
        0.025 ** (1 / 62), abs=R_DIGITS
    )


def test_nothing_counted_is_not_a_number():
    for got in (wilson(0, 0), clopper_pearson(0, 0), poisson_rate(0, 0)):
        assert np.isnan([got.estimate, got.lower, got.upper]).all()
    empty = clustered_proportion([1, 0], [1, 2], group=[0, 0], n_groups=2)
    assert np.isnan(empty.upper[1])
    assert empty.n.tolist() == [2, 0]


def test_impossible_counts_and_missing_outcomes_are_refused():
    with pytest.raises(NotEstimableError, match="counts_out_of_range"):
        wilson(3, 2)
    with pytest.raises(NotEstimableError, match=r"missing_outcome \(n_missing=1\)"):
        clustered_proportion([1, None, 0], [1, 2, 3])
    with pytest.raises(NotEstimableError, match="missing_cluster"):
        clustered_proportion([1, 1, 0], ["a", None, "b"])
