"""Competing causes against R's survival 3.5-3 and cmprsk 2.2-11 (survival_r_values.json)."""

import numpy as np
import pytest
from survival_data import near, r_value, read_mgus2

from analytics.stats.competing import aalen_johansen, read_incidence
from analytics.stats.spells import as_spells
from analytics.stats.subdistribution import fine_gray


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
