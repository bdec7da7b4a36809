"""Survival by way of counts and means, against R (survival_r_values.json)."""

from __future__ import annotations

import numpy as np
from survival_data import near, r_value, read_set

from analytics.stats.counts import log_linear
from analytics.stats.restricted_mean import restricted_mean
from analytics.stats.spells import as_spells


def test_a_hazard_constant_in_pieces_is_a_count_with_an_exposure():
    d, r = read_set("survival", "veteran"), r_value("pwexp_veteran")
    cuts = np.array([0, 60, 150, 300, np.inf])
    row, piece = np.nonzero(d["time"].to_numpy()[:, None] > cuts[:-1])
    time = d["time"].to_numpy(dtype=float)[row]
    exposure = np.minimum(time, cuts[piece + 1]) - cuts[piece]
    event = d["status"].to_numpy()[row] * (time <= cuts[piece + 1])
    assert len(row) == r["nrow"]
    design = np.column_stack(
        [np.ones(len(row)), *(piece == k for k in (1, 2, 3)), d["trt"].to_numpy(dtype=float)[row],
         d["karno"].to_numpy(dtype=float)[row]]
    )  # fmt: skip
    fit = log_linear(event, design, exposure=exposure, exchangeable=False)
    # glm ran to 1e-14; what is left is where our own iterations stop.
    near(fit.coefficients, list(r["coef"].values()), 1e-7)
    near(np.sqrt(np.diag(fit.plain_covariance)), list(r["se"].values()), 1e-7)


def test_pseudo_values_of_the_restricted_mean_and_their_regression():
    # A pseudo-value is the mean plus n times the influence of the row: how the mean moves with
    # its weight, here by differences.
    d, r = read_set("survival", "diabetic"), r_value("pseudo_rmst_diabetic")
    n, h = len(d), 1e-4

    def mean(weights):
        return restricted_mean(as_spells(d["time"], d["status"], weights=weights), 48).estimate

    unit = np.ones(n)
    moved = [mean(unit + h * (np.arange(n) == i)) - mean(unit - h * (np.arange(n) == i))
             for i in range(n)]  # fmt: skip
    pseudo = mean(unit) + n * np.array(moved) / (2 * h)
    near(pseudo[:5], r["pseudo_1_5"], 1e-5)  # differences: error of the order of h squared
    x = np.column_stack([unit, d["trt"], d["risk"]]).astype(float)
    bread = np.linalg.inv(x.T @ x)
    coefficients = bread @ x.T @ pseudo
    near(coefficients, list(r["coef"].values()), 1e-5)
    scores = x * (pseudo - x @ coefficients)[:, None]
    sums = np.stack([np.bincount(d["id"], weights=c) for c in scores.T], axis=1)
    near(np.sqrt(np.diag(bread @ sums.T @ sums @ bread)), list(r["cl_se"].values()), 1e-5)
