"""Competing causes against R's survival 3.5-3 and cmprsk 2.2-11 (survival_r_values.json)."""

import numpy as np
import pandas as pd
import pytest
from survival_data import near, r_value, read_mgus2

from analytics.errors import NotEstimableError
from analytics.stats.competing import aalen_johansen, read_incidence
from analytics.stats.gray import gray_test
from analytics.stats.spells import as_spells
from analytics.stats.subdistribution import fine_gray
from analytics.stats.survival import kaplan_meier


@pytest.mark.parametrize("cause", [1, 2])
def test_incidence_with_heavy_ties(cause):
    _, time, ended = read_mgus2()
    r = r_value("cif_mgus2_survfit")
    read = read_incidence(aalen_johansen(time, ended), r["time"], cause=cause)
    near(read["estimate"], r[f"cif{cause}"], 1e-12)  # closed form, 13 decimals printed
    near(read["se"], r[f"se{cause}"], 1e-12)


@pytest.mark.parametrize("cause", [1, 2])
def test_incidence_of_another_program(cause):
    _, time, ended = read_mgus2()
    r = r_value("cif_mgus2_cuminc")
    read = read_incidence(aalen_johansen(time, ended), [60, 120, 240, 360], cause=cause)
    near(read["estimate"], r[f"est{cause}"], 1e-12)
    # cmprsk prints Aalen's variance, another estimator: 0.0012 apart where few are left.
    near(read["se"], np.sqrt(r[f"var{cause}"]), 0.0015)


@pytest.mark.parametrize("cause", [1, 2])
def test_incidence_errors_by_cluster(cause):
    d, time, ended = read_mgus2()
    r = r_value("cif_mgus2_clustered")
    curves = aalen_johansen(time, ended, cluster=(7 * d["id"]) % 50)
    near(read_incidence(curves, r["time"], cause=cause)["se"], r[f"se{cause}"], 1e-12)


def covariates(d):
    return np.column_stack([d["age"], d["sex"] == "M"]).astype(float)


def test_subdistribution_hazard_as_printed():
    d, time, ended = read_mgus2()
    r = r_value("fg_mgus2_finegray_breslow")
    fit = fine_gray(as_spells(time, ended), covariates(d), ties="breslow")
    near(fit.coefficients, list(r["coef"].values()), 1e-8)  # coxph stopped early
    near(fit.se, r["robust_se"], 1e-8)


@pytest.mark.parametrize("ties", ["efron", "breslow"])
def test_subdistribution_hazard_by_row_and_by_cluster(ties):
    d, time, ended = read_mgus2()
    r = r_value("fg_mgus2_clustered")[ties]
    by_row = fine_gray(as_spells(time, ended), covariates(d), ties=ties)
    near(by_row.coefficients, r["coef"], 1e-11)
    near(by_row.se, r["row_se"], 1e-11)
    spells = as_spells(time, ended, cluster=(7 * d["id"]) % 50)
    near(fine_gray(spells, covariates(d), ties=ties).se, r["cluster_se"], 1e-11)


def test_subdistribution_hazard_of_another_program():
    # crr breaks ties of its censoring weights otherwise and adds their error: 3.4e-4, 1e-4.
    d, time, ended = read_mgus2()
    r = r_value("fg_mgus2_crr")
    fit = fine_gray(as_spells(time, ended), covariates(d), ties="breslow")
    near(fit.coefficients, list(r["coef"].values()), 5e-4)
    near(fit.se, r["se"], 2e-4)


def bands(d):
    return pd.cut(d["age"], [0, 60, 75, 120], labels=False).to_numpy()


@pytest.mark.parametrize("cause", [1, 2])
def test_incidences_of_groups_compared(cause):
    d, time, ended = read_mgus2()
    spells = as_spells(time, ended)
    found = gray_test(spells, d["sex"], cause=cause)
    r = r_value("cif_mgus2_cuminc")
    near(found.test.statistic, r["gray"][str(cause)], 1e-11)
    near(found.test.p, r["gray_p"][str(cause)], 1e-12)
    three = gray_test(spells, bands(d), cause=cause)
    near(three.test.statistic, r_value("gray_mgus2_groups")[str(cause)], 1e-10)
    assert three.test.degrees_of_freedom == 2


@pytest.mark.parametrize("cause", [1, 2])
@pytest.mark.parametrize("by", ["sex", "age"])
def test_incidences_of_groups_compared_by_cluster(cause, by):
    d, time, ended = read_mgus2()
    group = d["sex"] if by == "sex" else bands(d)
    wanted = r_value("gray_mgus2_clustered")[by][str(cause)]
    for cluster, statistic in zip(((7 * d["id"]) % 50, d["id"]), wanted, strict=True):
        spells = as_spells(time, ended, cluster=cluster)
        near(gray_test(spells, group, cause=cause).test.statistic, statistic, 1e-9)


def test_without_another_cause_incidences_compare_like_curves():
    # Expected events are then those of the log-rank test, from the curves themselves.
    d, time, ended = read_mgus2()
    group = d["sex"].to_numpy()
    found = gray_test(as_spells(time, ended == 2), group)
    curve = {g: kaplan_meier(time[group == g], ended[group == g] == 2) for g in ("F", "M")}
    share = 0.0
    for t in np.unique(time[ended == 2]):
        n = {g: (time[group == g] >= t).sum() for g in curve}
        share += (ended[time == t] == 2).sum() * n["F"] / (n["F"] + n["M"])
    near(found.expected[0], share, 1e-9)
    assert list(found.observed) == [c.n_events for c in curve.values()]


def test_groups_that_cannot_be_compared():
    _, time, ended = read_mgus2()
    for group, cause, reason in (
        (np.zeros(len(time)), 1, "one_group"),
        (np.arange(len(time)) % 2, 3, "no_events"),
    ):
        with pytest.raises(NotEstimableError) as caught:
            gray_test(as_spells(time, ended), group, cause=cause)
        assert caught.value.reason == reason
