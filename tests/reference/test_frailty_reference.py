"""Gamma frailty against R's survival 3.5-3 (survival_r_values.json) on paired eyes."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.special import gammaln
from survival_data import near, r_value, read_set

from analytics.errors import NotEstimableError
from analytics.stats.cox import cox
from analytics.stats.frailty import gamma_frailty
from analytics.stats.spells import as_spells

COLUMNS = ["trt", "age", "risk"]


def paired_eyes(**changed):
    d = read_set("survival", "diabetic")
    spells = as_spells(d["time"], d["status"], **({"cluster": d["id"]} | changed))
    return spells, d[COLUMNS].astype(float)


def test_breslow_as_printed():
    r = r_value("cox_diabetic_frailty_breslow")
    fit = gamma_frailty(*paired_eyes(), ties="breslow")
    near(fit.variance, r["theta"], 5e-6)  # R stops when the variance moves by less than 1e-5
    near(fit.coefficients, [r["coef"][name] for name in COLUMNS], 2e-5)


def test_efron_as_printed_and_run_to_convergence():
    fit = gamma_frailty(*paired_eyes())
    loose, tight = r_value("cox_diabetic_frailty"), r_value("cox_diabetic_frailty_tight")
    near(fit.variance, loose["theta"], 5e-4)  # R's default stops early
    near(fit.coefficients, [loose["coef"][name] for name in COLUMNS], 1e-3)
    near(fit.variance, tight["theta"], 5e-6)
    near(fit.log_likelihood, tight["c.loglik"], 1e-6)
    # R lowers its likelihood by nothing that ours does not: ours is at least as high.
    assert fit.log_likelihood >= tight["c.loglik"]


def test_errors_with_the_whole_information():
    tight = r_value("cox_diabetic_frailty_tight")
    fit = gamma_frailty(*paired_eyes())
    near(fit.variance, tight["at_theta"], 1e-8)
    near(fit.coefficients, tight["coef"], 1e-8)
    near(fit.se, tight["se"], 1e-8)
    # By default R takes the frailties' part of the information as diagonal: 0.1% apart.
    near(fit.se, list(r_value("cox_diabetic_frailty")["se"].values()), 3e-4)


def test_limits_of_the_variance_lie_where_the_likelihood_has_fallen():
    fit = gamma_frailty(*paired_eyes())
    assert 0 < fit.lower < fit.variance < fit.upper
    # Half of 3.84 below the top; 2 (top - none) is 10.8, so p is half of P(chi2_1 > 10.8).
    assert fit.log_likelihood - fit.log_likelihood_none == pytest.approx(5.3815, abs=5e-4)
    assert fit.p == pytest.approx(0.000518, abs=2e-6)


def test_eyes_that_share_nothing_have_no_frailty():
    d = read_set("survival", "diabetic")
    shuffled = np.random.default_rng(4).permutation(d["id"].to_numpy())
    spells, x = paired_eyes(cluster=shuffled)
    fit = gamma_frailty(spells, x)
    assert (fit.variance, fit.lower, fit.p) == (0.0, 0.0, 1.0)
    assert fit.upper > 0
    near(fit.coefficients, cox(spells, x).coefficients, 1e-12)


def test_the_likelihood_is_the_one_with_the_frailty_integrated_out():
    # By hand for Breslow's rule: steps of the hazard from the frailties found, then the integral
    # of each child's likelihood over a gamma of that variance.
    spells, x = paired_eyes()
    fit = gamma_frailty(spells, x, ties="breslow")
    risk = np.exp(x.to_numpy() @ fit.coefficients)
    weighed = risk * fit.frailty[spells.units]
    times = np.unique(spells.time[spells.event == 1])
    at_risk = spells.time[:, None] >= times
    tied = np.array([(spells.event[spells.time == t]).sum() for t in times])
    step = tied / (weighed @ at_risk)
    total = np.bincount(spells.units, weights=risk * (at_risk @ step))
    d, nu = np.bincount(spells.units, weights=spells.event), 1 / fit.variance
    own = gammaln(nu + d) - gammaln(nu) + nu * np.log(nu) - (nu + d) * np.log(nu + total)
    event = spells.event == 1
    jumps = np.log((step / tied)[np.searchsorted(times, spells.time[event])] * risk[event])
    # The partial likelihood leaves out a constant of one for each event, and the order of ties.
    whole = own.sum() + jumps.sum() + event.sum()
    assert whole == pytest.approx(fit.log_likelihood, abs=1e-7)


@pytest.mark.parametrize(
    ("changed", "reason"),
    [
        ({"cluster": None}, "no_clusters"),
        ({"entry": np.full(394, 0.1)}, "entry_not_supported"),
        ({"weights": np.full(394, 2.0)}, "weights_not_supported"),
    ],
)
def test_what_it_refuses(changed, reason):
    spells, x = paired_eyes(**changed)
    with pytest.raises(NotEstimableError) as caught:
        gamma_frailty(spells, x)
    assert caught.value.reason == reason
