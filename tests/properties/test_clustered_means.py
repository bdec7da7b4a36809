"""What clustered proportions and means must not change under."""

import numpy as np
import pytest

from analytics.errors import NotEstimableError
from analytics.stats import count_families as families
from analytics.stats.count_checks import comparison_table, predicted_count, rootogram
from analytics.stats.count_fits import compare_families, fit_family
from analytics.stats.counts import log_linear, logistic
from analytics.stats.marginal import coefficient_interval, uncorrected
from analytics.stats.proportions import clopper_pearson, clustered_proportion, wilson

RNG = np.random.default_rng(21)
N = 400
CLUSTER = np.repeat(np.arange(N // 2), 2)
SCORE = RNG.integers(0, 13, N) / 2
DESIGN = np.column_stack([np.ones(N), SCORE, RNG.random(N)])
EFFECT = RNG.normal(0, 0.3, N // 2)[CLUSTER]
COUNT = 1 + RNG.binomial(9, 1 / (1 + np.exp(1.2 - 0.15 * SCORE - EFFECT)))
EVENT = (RNG.random(N) < 1 / (1 + np.exp(1 - 0.3 * SCORE - EFFECT))).astype(float)
FITS = {
    "log_linear": (log_linear, COUNT),
    "logistic": (logistic, EVENT),
}


def doubled(values):
    return np.concatenate([values, values])


@pytest.mark.parametrize("name", FITS)
def test_every_cluster_twice_halves_the_variance(name):
    fit, outcome = FITS[name]
    once = uncorrected(fit(outcome, DESIGN, cluster=CLUSTER, exchangeable=False))
    twice = uncorrected(
        fit(
            doubled(outcome),
            doubled(DESIGN),
            cluster=np.r_[CLUSTER, CLUSTER + N],
            exchangeable=False,
        )
    )
    assert twice.coefficients == pytest.approx(once.coefficients, abs=1e-8)
    assert twice.covariance == pytest.approx(once.covariance / 2, rel=1e-6)


@pytest.mark.parametrize("name", FITS)
def test_rows_doubled_within_their_cluster_teach_nothing(name):
    fit, outcome = FITS[name]
    once = uncorrected(fit(outcome, DESIGN, cluster=CLUSTER, exchangeable=False))
    copied = uncorrected(
        fit(doubled(outcome), doubled(DESIGN), cluster=doubled(CLUSTER), exchangeable=False)
    )
    assert copied.covariance == pytest.approx(once.covariance, rel=1e-6)


@pytest.mark.parametrize("name", FITS)
@pytest.mark.parametrize("exchangeable", [True, False])
def test_order_of_rows_and_names_of_clusters_do_not_matter(name, exchangeable):
    fit, outcome = FITS[name]
    order = np.random.default_rng(2).permutation(N)
    label = np.array([f"c{c * 7919 % 1009}" for c in CLUSTER])
    one = fit(outcome, DESIGN, cluster=CLUSTER, exchangeable=exchangeable)
    two = fit(outcome[order], DESIGN[order], cluster=label[order], exchangeable=exchangeable)
    assert two.coefficients == pytest.approx(one.coefficients, abs=1e-9)
    assert two.covariance == pytest.approx(one.covariance, rel=1e-7)
    assert two.correlation == pytest.approx(one.correlation, abs=1e-8)


@pytest.mark.parametrize("name", FITS)
def test_clusters_of_one_are_no_clusters(name):
    fit, outcome = FITS[name]
    single = fit(outcome, DESIGN, cluster=np.arange(N)[::-1])
    alone = fit(outcome, DESIGN)
    assert single.coefficients == pytest.approx(alone.coefficients, abs=1e-10)
    assert single.covariance == pytest.approx(alone.covariance, rel=1e-9)
    assert alone.correlation == 0


def test_exposure_is_a_factor_of_the_mean():
    one = log_linear(COUNT, DESIGN, cluster=CLUSTER)
    two = log_linear(COUNT, DESIGN, cluster=CLUSTER, exposure=np.full(N, 2.0))
    assert two.coefficients[0] == pytest.approx(one.coefficients[0] - np.log(2), abs=1e-9)
    assert two.coefficients[1:] == pytest.approx(one.coefficients[1:], abs=1e-9)


def test_underdispersed_counts_have_a_plain_interval_too_wide():
    fit = log_linear(COUNT, DESIGN, cluster=CLUSTER)
    assert fit.dispersion < 0.8
    assert fit.plain_covariance[1, 1] > 1.2 * fit.covariance[1, 1]
    interval = coefficient_interval(fit)
    assert interval.lower[1] < fit.coefficients[1] < interval.upper[1]


def test_proportions_with_one_row_per_cluster_are_wilsons():
    group = RNG.integers(0, 4, N)
    got = clustered_proportion(EVENT, np.arange(N), group=group)
    k, n = np.bincount(group, EVENT), np.bincount(group)
    want = wilson(k, n)
    assert got.lower == pytest.approx(want.lower, abs=1e-12)
    assert got.upper == pytest.approx(want.upper, abs=1e-12)
    assert got.design_effect == pytest.approx(np.ones(4))


def test_proportions_do_not_depend_on_order_and_groups_do_not_mix():
    group = np.repeat([0, 1], N // 2)
    order = np.random.default_rng(3).permutation(N)
    together = clustered_proportion(EVENT[order], CLUSTER[order], group=group[order])
    for code in (0, 1):
        apart = clustered_proportion(EVENT[group == code], CLUSTER[group == code])
        assert together.lower[code] == pytest.approx(apart.lower[0], abs=1e-12)
        assert together.se[code] == pytest.approx(apart.se[0], abs=1e-12)


def test_concordant_pairs_count_about_once():
    """Pairs that always agree: half the rows, and the interval of the clusters themselves."""
    yes = (np.random.default_rng(4).random(200) < 0.3).astype(float)
    paired = clustered_proportion(np.repeat(yes, 2), np.repeat(np.arange(200), 2))
    single = wilson(yes.sum(), 200)
    assert paired.design_effect[0] == pytest.approx(2.0, abs=0.02)
    assert paired.lower[0] == pytest.approx(float(single.lower), abs=2e-3)


def test_the_interval_is_never_narrower_than_without_clusters():
    """Rows of a pair that always differ: a design effect of nought is not believed."""
    got = clustered_proportion(np.tile([0, 1], 50), np.repeat(np.arange(50), 2))
    plain = wilson(50, 100)
    assert got.upper[0] - got.lower[0] > float(plain.upper - plain.lower)


def test_one_cluster_counts_as_one_row():
    got = clustered_proportion([1, 1, 1], [7, 7, 7])
    exact = clopper_pearson(1, 1)
    assert [got.lower[0], got.upper[0]] == [pytest.approx(float(exact.lower)), 1.0]
    assert np.isnan(got.se[0])
    mixed = clustered_proportion([1, 0], [7, 7])
    assert mixed.n_effective[0] == 1


def test_family_fits_do_not_depend_on_order_or_scale_of_columns():
    family = families.CONWAY_MAXWELL_POISSON
    order = np.random.default_rng(5).permutation(N)
    one = fit_family(COUNT, DESIGN, family=family, cluster=CLUSTER)
    two = fit_family(
        COUNT[order], DESIGN[order] * [1, 100, 1], family=family, cluster=CLUSTER[order]
    )
    assert two.coefficients * [1, 100, 1] == pytest.approx(one.coefficients, abs=1e-6)
    assert two.robust_covariance[1, 1] * 1e4 == pytest.approx(one.robust_covariance[1, 1], rel=1e-4)


def test_nested_families_order_their_likelihoods():
    fits = {fit.family.name: fit for fit in compare_families(COUNT, DESIGN, cluster=CLUSTER)}
    for special, general in (
        ("poisson", "generalised_poisson"),
        ("poisson", "conway_maxwell_poisson"),
        ("zero_truncated_poisson", "zero_truncated_conway_maxwell_poisson"),
        ("poisson", "negative_binomial"),
    ):
        assert fits[general].log_likelihood >= fits[special].log_likelihood - 1e-9
    table = comparison_table(tuple(fits.values()), column=1)
    assert table["aic"].dropna().is_monotonic_increasing


@pytest.mark.parametrize("family", families.FAMILIES, ids=lambda family: family.name)
def test_expected_frequencies_and_means_belong_together(family):
    """Mean of the fitted means against the mean of the expected frequencies, and the data's."""
    fit = fit_family(COUNT, DESIGN, family=family, cluster=CLUSTER)
    table = rootogram(fit, COUNT, DESIGN)
    assert table["observed"].sum() == N
    assert table["expected"].sum() == pytest.approx(N, rel=0.06)
    mean = predicted_count(fit, DESIGN)
    assert mean.estimate.mean() == pytest.approx(COUNT.mean(), rel=0.02)
    assert ((mean.lower < mean.estimate) & (mean.estimate < mean.upper)).all()


BAD = [
    (dict(count=np.zeros(4), design=np.ones((4, 1))), "no_events"),
    (dict(count=[1, 2, 3, 4], design=np.column_stack([np.ones(4), np.full(4, 3.0)])), "collinear"),
    (dict(count=[1, 2, 3, 4], design=np.column_stack([np.ones(4), np.zeros(4)])), "constant_col"),
    (dict(count=[1, 2, 3, 4], design=np.ones((4, 1)), cluster=np.zeros(4)), "one_cluster"),
    (dict(count=[1, 2, np.nan, 4], design=np.ones((4, 1))), r"missing_values \(n_rows=1\)"),
    (dict(count=[1, 2, 3, 4], design=np.ones((4, 1)), cluster=["a", "b", None, "c"]), "missing_c"),
    (dict(count=[1, -2, 3, 4], design=np.ones((4, 1))), "outcome_out_of_range"),
    (dict(count=[1, 2], design=np.eye(2)), "too_few_rows"),
    (
        dict(count=[0, 0, 1, 3] * 2, design=np.column_stack([np.ones(8), [0, 0, 1, 1] * 2])),
        r"separation \(n_rows=8",
    ),
]  # fmt: skip


@pytest.mark.parametrize(("arguments", "reason"), BAD)
def test_what_cannot_be_estimated_is_named(arguments, reason):
    given = dict(arguments)
    with pytest.raises(NotEstimableError, match=reason):
        log_linear(given.pop("count"), given.pop("design"), **given)


def test_perfect_separation_and_all_events_are_named():
    x = np.column_stack([np.ones(40), np.arange(40)])
    with pytest.raises(NotEstimableError, match="separation"):
        logistic(np.arange(40) > 19, x)
    with pytest.raises(NotEstimableError, match=r"all_events \(n_rows=40\)"):
        logistic(np.ones(40), x)


def test_a_family_that_does_not_suit_the_counts_is_kept_as_failed():
    with_zero = np.r_[0, COUNT[1:]]
    fits = compare_families(
        with_zero, DESIGN, families=(families.POISSON, families.ZERO_TRUNCATED_POISSON)
    )
    assert [fit.status for fit in fits] == ["fitted", "failed"]
    assert (fits[1].reason, fits[1].fallback) == ("count_below_family", "quasi_poisson")
    with pytest.raises(NotEstimableError, match="fit_failed"):
        predicted_count(fits[1], DESIGN)
    with pytest.raises(NotEstimableError, match="not_whole_numbers"):
        fit_family(COUNT + 0.5, DESIGN, family=families.POISSON)
    many = np.arange(N)
    with pytest.raises(NotEstimableError, match="too_many_levels"):
        fit_family(many, DESIGN, family=families.ORDINAL)
