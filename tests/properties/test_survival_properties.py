"""What must not change: doubled data, shuffled rows, split spells, clusters of one."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from analytics.stats.competing import aalen_johansen, incidence
from analytics.stats.cox import cox
from analytics.stats.cox_checks import predicted_survival, proportionality
from analytics.stats.interval import turnbull
from analytics.stats.logrank import log_rank
from analytics.stats.restricted_mean import restricted_mean
from analytics.stats.spells import as_spells
from analytics.stats.subdistribution import fine_gray
from analytics.stats.survival import kaplan_meier, product_limit

CURVE = ("times", "at_risk", "events", "censored", "estimate", "se", "lower", "upper")


def simulated(seed, n=200):
    """Tied times of two causes in clusters of one to several rows, with late entry."""
    rng = np.random.default_rng(seed)
    entry = rng.integers(0, 5, n).astype(float)
    return {
        "time": entry + rng.integers(1, 15, n),
        "entry": entry,
        "cause": rng.integers(0, 3, n),
        "cluster": rng.integers(0, n // 2, n),
        "x": rng.standard_normal((n, 2)),
        "strata": rng.integers(0, 3, n),
    }


def spells_of(d, rows=slice(None), **changed):
    d = d | changed
    parts = {k: None if d[k] is None else d[k][rows] for k in ("entry", "cluster")}
    return as_spells(d["time"][rows], d["cause"][rows] == 1, **parts)


@given(st.integers(0, 10**6))
@settings(max_examples=25, deadline=None)
def test_survival_and_incidences_add_up_to_one(seed):
    d = simulated(seed, n=40)
    curves = incidence(
        as_spells(d["time"], d["cause"], entry=d["entry"], cluster=d["cluster"]), n_causes=2
    )
    np.testing.assert_allclose(curves.survival + curves.estimate.sum(axis=1), 1, atol=1e-12)


@given(st.integers(0, 10**6))
@settings(max_examples=25, deadline=None)
def test_shuffled_rows_give_the_same_bits(seed):
    d = simulated(seed, n=60)
    rows = np.random.default_rng(seed + 1).permutation(60)
    for name in CURVE:
        one = getattr(product_limit(spells_of(d)), name)
        np.testing.assert_array_equal(one, getattr(product_limit(spells_of(d, rows)), name))
    one = aalen_johansen(d["time"], d["cause"], cluster=d["cluster"])
    two = aalen_johansen(d["time"][rows], d["cause"][rows], cluster=d["cluster"][rows])
    for name in ("survival", "estimate", "se", "lower", "upper"):
        np.testing.assert_array_equal(getattr(one, name), getattr(two, name))


def test_shuffled_rows_give_the_same_model():
    d, rows = simulated(7), np.random.default_rng(8).permutation(200)
    one = cox(spells_of(d), d["x"], strata=d["strata"])
    two = cox(spells_of(d, rows), d["x"][rows], strata=d["strata"][rows])
    np.testing.assert_allclose(one.coefficients, two.coefficients, rtol=1e-10)
    np.testing.assert_allclose(one.se, two.se, rtol=1e-10)


def test_only_ties_matter_not_who_is_first_in_them():
    # Two runs, each tie reversed: no chance decides between causes at one time.
    d = simulated(3)
    order = np.lexsort((d["cause"], d["time"]))
    back = np.lexsort((-d["cause"], d["time"]))
    one, two = (aalen_johansen(d["time"][k], d["cause"][k]) for k in (order, back))
    np.testing.assert_array_equal(one.estimate, two.estimate)


@pytest.mark.parametrize("late", [False, True])
def test_doubled_rows_halve_the_variance(late):
    d, twice = simulated(11), np.repeat(np.arange(200), 2)
    entry = d["entry"] if late else None
    one = product_limit(spells_of(d, entry=entry, cluster=None))
    two = product_limit(as_spells(
        np.r_[d["time"], d["time"]],
        np.r_[d["cause"], d["cause"]] == 1,
        entry=np.r_[d["entry"], d["entry"]] if late else None,
        cluster=np.r_[d["cluster"], d["cluster"] + 1000],
    ))  # fmt: skip
    clustered = product_limit(spells_of(d, entry=entry))
    np.testing.assert_allclose(two.estimate, one.estimate, rtol=1e-12)
    np.testing.assert_allclose(two.se**2, clustered.se**2 / 2, rtol=1e-9)
    # Within its own cluster a copy tells nothing new.
    same = product_limit(spells_of(d, twice, entry=entry))
    np.testing.assert_allclose(same.se, clustered.se, rtol=1e-9)


def test_doubled_rows_halve_the_variance_of_a_model():
    # Breslow's rule does not see a doubled tie; Efron's does, by design.
    d, twice = simulated(12), np.r_[np.arange(200), np.arange(200)]
    one = cox(spells_of(d), d["x"], ties="breslow")
    copies = d["cluster"][twice] + np.repeat([0, 1000], 200)
    two = cox(
        as_spells(
            d["time"][twice], d["cause"][twice] == 1, entry=d["entry"][twice], cluster=copies
        ),
        d["x"][twice],
        ties="breslow",
    )
    np.testing.assert_allclose(two.coefficients, one.coefficients, rtol=1e-8)
    np.testing.assert_allclose(two.covariance, one.covariance / 2, rtol=1e-8)
    np.testing.assert_allclose(two.covariance_naive, one.covariance_naive / 2, rtol=1e-8)


def test_one_row_per_cluster_is_unclustered():
    d, alone = simulated(21), np.random.default_rng(1).permutation(200)
    one = product_limit(spells_of(d, entry=None, cluster=None))
    two = product_limit(spells_of(d, entry=None, cluster=alone))
    for name in ("se", "lower", "upper"):
        np.testing.assert_allclose(getattr(two, name), getattr(one, name), rtol=1e-9)
    np.testing.assert_array_equal(two.clusters_at_risk, two.at_risk)
    three = aalen_johansen(d["time"], d["cause"], entry=d["entry"])
    four = aalen_johansen(d["time"], d["cause"], entry=d["entry"], cluster=alone)
    np.testing.assert_allclose(four.se, three.se, rtol=1e-9)
    means = [
        restricted_mean(spells_of(d, entry=None, cluster=labels), 10).se for labels in (None, alone)
    ]
    np.testing.assert_allclose(means[1], means[0], rtol=1e-10)


def test_incidence_of_a_single_cause_is_one_minus_the_curve():
    d = simulated(22)
    curve = kaplan_meier(d["time"], d["cause"] > 0, cluster=d["cluster"])
    incident = aalen_johansen(d["time"], d["cause"] > 0, cluster=d["cluster"])
    inside = curve.estimate > 0
    for mine, theirs in (("estimate", "estimate"), ("lower", "upper"), ("upper", "lower")):
        found = getattr(incident, mine)[inside, 0]
        np.testing.assert_allclose(found, 1 - getattr(curve, theirs)[inside], atol=1e-12)
    np.testing.assert_allclose(incident.se[inside, 0], curve.se[inside], atol=1e-12)


def split(d):
    """Cut every row in three wherever it is long enough, the event in the last part."""
    length = d["time"] - d["entry"]
    cuts = [d["entry"], d["entry"] + length / 3, d["entry"] + length / 2, d["time"]]
    n = len(length)
    rows = np.tile(np.arange(n), 3)
    return {
        "entry": np.concatenate(cuts[:-1]),
        "time": np.concatenate(cuts[1:]),
        "cause": np.where(np.repeat([0, 1, 2], n) == 2, d["cause"][rows], 0),
        "cluster": d["cluster"][rows],
        "x": d["x"][rows],
        "strata": d["strata"][rows],
    }


def test_split_spells_change_no_curve():
    d = simulated(31)
    one, two = product_limit(spells_of(d)), product_limit(spells_of(split(d)))
    at = np.searchsorted(two.times, one.times)
    for name in ("estimate", "se", "se_naive", "lower", "upper", "at_risk", "clusters_at_risk"):
        np.testing.assert_allclose(getattr(two, name)[at], getattr(one, name), atol=1e-10)
    parts = split(d)
    whole = aalen_johansen(d["time"], d["cause"], entry=d["entry"], cluster=d["cluster"])
    cut = aalen_johansen(
        parts["time"], parts["cause"], entry=parts["entry"], cluster=parts["cluster"]
    )
    np.testing.assert_allclose(cut.se[at], whole.se, atol=1e-10)
    means = [restricted_mean(spells_of(rows), 12) for rows in (d, parts)]
    np.testing.assert_allclose(means[1].estimate, means[0].estimate, atol=1e-10)
    np.testing.assert_allclose(means[1].se, means[0].se, atol=1e-10)


@pytest.mark.parametrize("ties", ["efron", "breslow"])
def test_split_spells_change_no_model(ties):
    d = simulated(32)
    parts = split(d)
    one = cox(spells_of(d), d["x"], strata=d["strata"], ties=ties)
    two = cox(spells_of(parts), parts["x"], strata=parts["strata"], ties=ties)
    for name in ("coefficients", "se", "se_naive", "log_likelihood"):
        np.testing.assert_allclose(getattr(two, name), getattr(one, name), atol=1e-10)
    np.testing.assert_allclose(
        proportionality(two, transform="identity")["chisq"],
        proportionality(one, transform="identity")["chisq"],
        atol=1e-8,
    )
    mine, theirs = (predicted_survival(fit, [0.5, -0.5], [6, 9])["se"] for fit in (one, two))
    np.testing.assert_allclose(mine, theirs, atol=1e-10)


def test_a_model_without_other_causes_is_its_simpler_cousin():
    d = simulated(33)
    spells = spells_of(d, entry=None)
    fine, plain = fine_gray(spells, d["x"]), cox(spells, d["x"])
    np.testing.assert_allclose(fine.coefficients, plain.coefficients, rtol=1e-10)
    np.testing.assert_allclose(fine.se, plain.se, rtol=1e-10)


def test_score_test_of_two_groups_is_the_log_rank_test():
    # Without ties Cox's score test and the log-rank test are one and the same.
    rng = np.random.default_rng(5)
    time, event = rng.permutation(100) + 1.0, rng.random(100) < 0.6
    group, cluster = rng.integers(0, 2, 100), rng.integers(0, 50, 100)
    spells = as_spells(time, event, cluster=cluster)
    test, fit = log_rank(spells, group), cox(spells, group.astype(float))
    np.testing.assert_allclose(test.test_naive.statistic, fit.score.statistic, rtol=1e-10)
    np.testing.assert_allclose(test.test.statistic, fit.robust_score.statistic, rtol=1e-10)


@given(st.integers(0, 10**6))
@settings(max_examples=20, deadline=None)
def test_exact_and_right_censored_intervals_are_the_plain_curve(seed):
    d = simulated(seed, n=40)
    event = d["cause"] == 1
    curve = kaplan_meier(d["time"], event)
    found = turnbull(d["time"], np.where(event, d["time"], np.inf))
    drops = -np.diff(np.append(1.0, curve.estimate))
    np.testing.assert_allclose(
        found.mass[np.isfinite(found.right)], drops[drops > 1e-14], atol=1e-7
    )
    if curve.estimate[-1] > 1e-12:
        np.testing.assert_allclose(found.mass[-1], curve.estimate[-1], atol=1e-7)


def test_weights_of_a_turnbull_curve_are_repeated_rows():
    rng = np.random.default_rng(9)
    left = rng.integers(0, 10, 50).astype(float)
    right = np.where(rng.random(50) < 0.3, np.inf, left + rng.integers(1, 6, 50))
    times = rng.integers(0, 4, 50)
    one = turnbull(left, right, weights=times)
    two = turnbull(np.repeat(left, times), np.repeat(right, times))
    np.testing.assert_array_equal(one.left, two.left)
    np.testing.assert_allclose(one.mass, two.mass, atol=1e-8)


@given(st.integers(0, 10**6), st.sampled_from([2, 3, 8]))
@settings(max_examples=25, deadline=None)
def test_small_and_large_clusters_are_summed_alike(seed, size):
    # Weights of one leave the short way for clusters of one or two rows to the long way.
    d = simulated(seed, n=60)
    cluster = np.random.default_rng(seed).integers(0, 60 // size + 2, 60)
    short, long = (
        as_spells(d["time"], d["cause"], cluster=cluster, weights=weights)
        for weights in (None, np.ones(60))
    )
    one, two = incidence(short), incidence(long)
    np.testing.assert_allclose(one.se, two.se, atol=1e-10)
    np.testing.assert_array_equal(one.clusters_at_risk, two.clusters_at_risk)
