"""Kaplan-Meier, restricted mean and log-rank against R's survival 3.5-3.

Values and commands: survival_r_values.json, printed with 13 decimals. Closed forms agree to
rounding, so the tolerance is 1e-12 (1e-10 where R's numbers are sums of hundreds).
"""

import numpy as np
import pytest
from survival_data import near, r_value, read_set

from analytics.stats.curve_reading import quantile, read_curve
from analytics.stats.logrank import log_rank
from analytics.stats.restricted_mean import restricted_mean
from analytics.stats.spells import as_spells
from analytics.stats.survival import follow_up_curve, kaplan_meier, product_limit


def diabetic():
    return read_set("survival", "diabetic")


@pytest.mark.parametrize("arm", [0, 1])
def test_curve_greenwood_and_log_log_limits_of_each_arm(arm):
    d, r = diabetic().query("trt == @arm"), r_value("km_diabetic_loglog")
    mine = np.array(r["strata"]) == f"trt={arm}"
    read = read_curve(kaplan_meier(d["time"], d["status"]), np.array(r["time"])[mine])
    for ours, theirs in (
        ("estimate", "surv"),
        ("se", "se"),
        ("lower", "lower"),
        ("upper", "upper"),
    ):
        near(read[ours], np.array(r[theirs])[mine], 1e-12)


def test_number_at_risk_as_printed():
    d, r = diabetic().query("trt == 0"), r_value("km_diabetic_loglog")
    curve = kaplan_meier(d["time"], d["status"])
    first_at_or_after = np.searchsorted(curve.times, r["time"][:6])
    assert list(curve.at_risk[first_at_or_after]) == r["n.risk"][:6]


def test_limits_on_the_log_scale_follow_from_ours():
    # R's default limits, estimate * exp(+-z se / estimate): checks estimate and error together.
    d, r = diabetic().query("trt == 0"), r_value("km_diabetic_log")
    read = read_curve(kaplan_meier(d["time"], d["status"]), r["time"][:4])
    half = 1.959963984540054 * read["se"] / read["estimate"]
    near(read["estimate"] * np.exp(-half), r["lower"][:4], 1e-12)
    near(read["estimate"] * np.exp(half), r["upper"][:4], 1e-12)


def test_errors_clustered_by_patient():
    d, r = diabetic(), r_value("km_diabetic_cluster")
    curve = kaplan_meier(d["time"], d["status"], cluster=d["id"])
    read = read_curve(curve, r["time"])
    for ours, theirs in (("estimate", "surv"), ("se", "robust.se")):
        near(read[ours], r[theirs], 1e-12)
    near(read["lower"], r["lower"], 1e-12)
    near(read["upper"], r["upper"], 1e-12)
    naive = r_value("km_diabetic_naive")
    near(
        curve.se_naive[np.searchsorted(curve.times, naive["time"], "right") - 1], naive["se"], 1e-12
    )


def test_left_truncated_curve_of_channing_house():
    d = read_set("KMsurv", "channing").query("age > ageentry")
    r = r_value("km_channing_lefttrunc")
    curve = kaplan_meier(d["age"], d["death"], entry=d["ageentry"])
    read = read_curve(curve, r["time"])
    near(read["estimate"], r["surv"], 1e-12)
    near(read["se"], r["se"], 1e-12)


@pytest.mark.parametrize("by", ["rows", "clustered"])
def test_left_truncated_errors_by_influence(by):
    # With late entry the jackknife by row is not Greenwood's error; R draws the same line.
    d = read_set("KMsurv", "channing").query("age > ageentry")
    r = r_value(f"km_channing_{by}")
    cluster = np.arange(len(d)) if by == "rows" else d["ageentry"] % 50
    curve = kaplan_meier(d["age"], d["death"], entry=d["ageentry"], cluster=cluster)
    near(read_curve(curve, r["time"])["se"], r["se"], 1e-12)


@pytest.mark.parametrize("by", ["row", "cluster"])
def test_weighted_curve(by):
    d, r = diabetic(), r_value("km_diabetic_weighted")
    cluster = None if by == "row" else d["id"]
    weights = 0.5 + (d["age"] % 7) / 4
    spells = as_spells(d["time"], d["status"], cluster=cluster, weights=weights)
    read = read_curve(product_limit(spells), r["time"])
    near(read["estimate"], r["surv"], 1e-12)
    for name in ("se", "lower", "upper"):
        near(read[name], r[f"{by}_{name}"], 1e-12)


@pytest.mark.parametrize("horizon", [365, 730])
def test_restricted_mean_of_lung(horizon):
    d, r = read_set("survival", "cancer"), r_value("km_lung_rmst")
    found = restricted_mean(as_spells(d["time"], d["status"] == 2), horizon)
    near([found.estimate, found.se], [r[f"rmst{horizon}"], r[f"se{horizon}"]], 1e-10)


def test_restricted_mean_clustered_where_r_prints_the_naive_error():
    d, r = diabetic(), r_value("km_diabetic_rmst_cluster")
    found = restricted_mean(as_spells(d["time"], d["status"], cluster=d["id"]), 48)
    near(found.estimate, r["rmst48"], 1e-11)
    near(found.se_naive, r["se_naive"], 1e-12)
    near(found.se, r["se_robust_from_IJ"], 1e-12)


@pytest.mark.parametrize("arm", ["6-MP", "control"])
def test_quartiles_and_their_limits(arm):
    d, r = read_set("MASS", "gehan").query("treat == @arm"), r_value("km_gehan_quantiles")[arm]
    curve = kaplan_meier(d["time"], d["cens"])
    found = [quantile(curve, share) for share in (0.25, 0.5, 0.75)]
    assert [q.estimate for q in found] == r["estimate"]
    assert [q.lower for q in found] == r["lower"]
    # R gives the middle of a stretch of the limit that lies on the level; none does here.
    assert [q.upper for q in found] == r["upper"]


def test_median_follow_up():
    d, r = read_set("MASS", "gehan").query("treat == '6-MP'"), r_value("km_gehan_follow_up")
    found = quantile(follow_up_curve(as_spells(d["time"], d["cens"])))
    assert [found.estimate, found.lower, found.upper] == [r["estimate"], r["lower"], r["upper"]]


def test_log_rank_and_its_early_weights():
    d, r = read_set("MASS", "gehan"), r_value("logrank_gehan")
    spells = as_spells(d["time"], d["cens"])
    found = log_rank(spells, d["treat"])
    near(found.test.statistic, r["chisq"], 1e-11)
    near(found.observed, r["obs"], 1e-12)
    near(found.expected, r["exp"], 1e-11)
    near(log_rank(spells, d["treat"], rho=1).test.statistic, r["peto_chisq"], 1e-11)


def test_log_rank_stratified_and_clustered():
    d, r, robust = diabetic(), r_value("logrank_diabetic"), r_value("logrank_diabetic_clustered")
    spells = as_spells(d["time"], d["status"], cluster=d["id"])
    pooled, within = log_rank(spells, d["trt"]), log_rank(spells, d["trt"], strata=d["risk"])
    near(pooled.test_naive.statistic, r["chisq"], 1e-11)
    near(pooled.expected, r["exp"], 1e-11)
    near(within.test_naive.statistic, r["strat_chisq"], 1e-11)
    near(pooled.test.statistic, robust["pooled"], 1e-11)
    near(within.test.statistic, robust["stratified"], 1e-11)
    risks = log_rank(spells, d["risk"]).test
    # R stops this fit of five coefficients early, but the score test at 0 is a closed form.
    near(risks.statistic, robust["risk_groups"], 1e-10)
    assert risks.degrees_of_freedom == 5


def test_log_rank_of_four_groups():
    d, r = read_set("survival", "veteran"), r_value("survdiff_trend")
    found = log_rank(as_spells(d["time"], d["status"]), d["celltype"])
    near(found.test.statistic, r["chisq"], 1e-11)
    assert found.test.degrees_of_freedom == r["df"]
    # R orders the groups as its factor has them: squamous, smallcell, adeno, large.
    by_label = dict(zip(found.labels, found.expected, strict=True))
    near([by_label[k] for k in ("squamous", "smallcell", "adeno", "large")], r["exp"], 1e-11)
