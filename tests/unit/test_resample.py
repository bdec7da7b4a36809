"""Resampling whole clusters."""

import numpy as np
import pytest

from analytics.errors import NotEstimableError
from analytics.stats.resample import (
    BootstrapPlan,
    bootstrap_rows,
    bootstrap_weights,
    jackknife_rows,
)

CLUSTER = np.array(list("abbccc"))
VALUE = np.array([1.0, 2.0, 4.0, 3.0, 5.0, 6.0])


def test_rows_and_weights_are_two_views_of_the_same_draws():
    seen = []

    def mean_of_rows(rows):
        counts = np.bincount(rows, minlength=6)
        seen.append(counts)
        return VALUE[rows].mean()

    by_rows = bootstrap_rows(mean_of_rows, CLUSTER, rng=np.random.default_rng(4))
    by_weights = bootstrap_weights(
        lambda w: np.average(VALUE, weights=w), CLUSTER, rng=np.random.default_rng(4)
    )
    np.testing.assert_allclose(by_rows.replicates, by_weights.replicates, rtol=1e-12)
    # Rows of a cluster come together, and as many clusters are drawn as there are.
    drawn = np.array(seen)
    assert (drawn[:, 1] == drawn[:, 2]).all()
    assert (drawn[:, 3] == drawn[:, 5]).all()
    assert (drawn[:, [0, 1, 3]].sum(axis=1) == 3).all()
    assert len(np.unique(drawn, axis=0)) > 5


def test_the_spread_of_a_mean_is_that_of_its_formula():
    # 400 clusters of one: standard deviation / root n; 4,000 draws hold it to a few percent.
    value = np.random.default_rng(1).normal(3, 2, 400)
    found = bootstrap_rows(
        lambda rows: [value[rows].mean(), 2 * value[rows].mean()],
        np.arange(400),
        rng=np.random.default_rng(2),
        plan=BootstrapPlan(n_resamples=4000),
    )
    se = value.std() / 20
    assert found.se == pytest.approx([se, 2 * se], rel=0.05)
    assert found.lower[0] == pytest.approx(value.mean() - 1.96 * se, abs=0.03)
    assert found.upper[0] == pytest.approx(value.mean() + 1.96 * se, abs=0.03)
    assert found.estimate[0] == value.mean()


def test_the_same_generator_gives_the_same_limits():
    one, two, other = (
        bootstrap_rows(lambda rows: VALUE[rows].mean(), CLUSTER, rng=np.random.default_rng(seed))
        for seed in (5, 5, 6)
    )
    np.testing.assert_array_equal(one.replicates, two.replicates)
    assert (one.replicates != other.replicates).any()


def test_the_jackknife_of_a_mean_is_its_standard_error():
    # Efron and Tibshirani (1993) ch. 11: exactly s / root n for a mean.
    found = jackknife_rows(lambda rows: VALUE[rows].mean(), np.arange(6))
    assert found.se[0] == pytest.approx(VALUE.std(ddof=1) / np.sqrt(6), rel=1e-12)
    assert np.isnan(found.lower).all()


def test_the_jackknife_leaves_out_whole_clusters():
    found = jackknife_rows(lambda rows: VALUE[rows].sum(), CLUSTER)
    assert found.replicates[:, 0].tolist() == [20, 15, 7]


def test_resamples_that_fail_are_counted():
    def needs_a(rows):
        if 0 not in rows:
            raise NotEstimableError("no_events", n_rows=len(rows))
        return VALUE[rows].mean()

    found = bootstrap_rows(needs_a, CLUSTER, rng=np.random.default_rng(7))
    assert found.n_failed + len(found.replicates) == 1000
    assert 200 < found.n_failed < 400  # (2 / 3) ** 3 of them never draw the first cluster
