"""Tables worked by hand or printed in papers, for curves and tests of time to an event."""

import numpy as np
import pytest
from survival_data import near, read_cosmesis, read_set

from analytics.stats.competing import aalen_johansen
from analytics.stats.cox import cox, hazard_ratios
from analytics.stats.curve_reading import quantile, read_curve, risk_table
from analytics.stats.interval import survival_bounds, turnbull
from analytics.stats.logrank import log_rank
from analytics.stats.restricted_mean import restricted_mean
from analytics.stats.spells import as_spells
from analytics.stats.survival import follow_up_curve, kaplan_meier

# Weeks in remission, Freireich and others (1963) Blood 21:699; a minus sign marks censoring.
DRUG = [6, 6, 6, -6, 7, -9, 10, -10, -11, 13, 16, -17, -19, -20, 22, 23, -25, -32, -32, -34, -35]
PLACEBO = [1, 1, 2, 2, 3, 4, 4, 5, 5, 8, 8, 8, 8, 11, 11, 12, 12, 15, 17, 22, 23]
DRUG_TIME, DRUG_EVENT = np.abs(DRUG), np.array(DRUG) > 0


def both_arms():
    time = np.concatenate([DRUG_TIME, PLACEBO])
    event = np.concatenate([DRUG_EVENT, np.ones(21, dtype=bool)])
    return as_spells(time, event), np.repeat(["drug", "placebo"], 21)


def test_remission_on_the_drug():
    # Klein and Moeschberger (2003) table 4.1 as remembered, recomputed in R; four decimals.
    curve = kaplan_meier(DRUG_TIME, DRUG_EVENT)
    at = curve.events > 0
    assert list(curve.times[at]) == [6, 7, 10, 13, 16, 22, 23]
    assert list(curve.at_risk[at]) == [21, 17, 15, 12, 11, 7, 6]
    assert list(curve.events[at]) == [3, 1, 1, 1, 1, 1, 1]
    near(curve.estimate[at], [0.8571, 0.8067, 0.7529, 0.6902, 0.6275, 0.5378, 0.4482], 5e-5)
    near(curve.se[at], [0.0764, 0.0869, 0.0963, 0.1068, 0.1141, 0.1282, 0.1346], 5e-5)


def test_the_rows_typed_in_are_those_of_the_package():
    d = read_set("KMsurv", "drug6mp")
    assert sorted(zip(d["t2"], d["relapse"], strict=True)) == sorted(
        zip(DRUG_TIME, DRUG_EVENT, strict=True)
    )
    assert sorted(d["t1"]) == PLACEBO


def test_limits_and_medians():
    # Log-log limits: recomputed values, four decimals.
    read = read_curve(kaplan_meier(DRUG_TIME, DRUG_EVENT), [10, 20, 23])
    near(read["lower"], [0.5032, 0.3675, 0.1881], 5e-5)
    near(read["upper"], [0.8894, 0.8049, 0.6801], 5e-5)
    assert quantile(kaplan_meier(DRUG_TIME, DRUG_EVENT)).estimate == 23
    placebo = kaplan_meier(PLACEBO, np.ones(21))
    assert quantile(placebo).estimate == 8
    near(read_curve(placebo, [10])[["estimate", "se"]], [[8 / 21, 0.106]], 5e-4)


def test_arms_compared():
    spells, arm = both_arms()
    found = log_rank(spells, arm)
    near(found.test.statistic, 16.793, 5e-4)
    near(found.test.p, 4.17e-5, 5e-8)
    assert list(found.observed) == [9, 21]
    near(found.expected, [19.25, 10.75], 5e-3)


@pytest.mark.parametrize(
    ("ties", "coefficient", "se", "log_likelihood"),
    [("efron", 1.5721, 0.4124, -85.008), ("breslow", 1.5092, 0.4096, -86.380)],
)
def test_hazard_ratio_by_both_rules_for_ties(ties, coefficient, se, log_likelihood):
    spells, arm = both_arms()
    fit = cox(spells, (arm == "placebo").astype(float), ties=ties)
    near([fit.coefficients[0], fit.se[0]], [coefficient, se], 5e-5)
    near(fit.log_likelihood, log_likelihood, 5e-4)
    if ties == "efron":
        ratio = hazard_ratios(fit).loc[0, ["estimate", "lower", "upper"]]
        near(ratio, [4.817, 2.147, 10.81], 5e-3)


def test_mean_to_twenty_weeks_and_follow_up():
    drug, placebo = as_spells(DRUG_TIME, DRUG_EVENT), as_spells(PLACEBO, np.ones(21))
    near(restricted_mean(drug, 20).estimate, 16.117, 5e-4)
    near(restricted_mean(placebo, 20).estimate, 8.429, 5e-4)
    assert quantile(follow_up_curve(drug)).estimate == 25
    assert quantile(follow_up_curve(placebo)).estimate is None


def test_naive_share_is_below_the_curve():
    # 9 of 21 seen to relapse is 42.9%; the curve says 55.2% by week 23.
    curve = kaplan_meier(DRUG_TIME, DRUG_EVENT)
    near([DRUG_EVENT.mean(), 1 - curve.estimate[-1]], [0.429, 0.552], 5e-4)


def test_extended_table_adds_up_at_every_tick():
    # Counted by hand from the list above.
    table = risk_table(as_spells(DRUG_TIME, DRUG_EVENT), [0, 6, 10, 20, 36])
    assert table["at_risk"].tolist() == [21, 21, 15, 8, 0]
    assert table["censored"].tolist() == [0, 0, 2, 6, 12]
    assert table["events"].tolist() == [0, 0, 4, 7, 9]
    assert (table[["at_risk", "censored", "events", "not_entered"]].sum(axis=1) == 21).all()


def test_extended_table_with_late_entry():
    spells = as_spells([5, 8, 9], [1, 0, 1], entry=[0, 3, 5])
    table = risk_table(spells, [0, 3, 5, 6, 9, 10])
    assert table["not_entered"].tolist() == [3, 2, 1, 0, 0, 0]
    assert table["at_risk"].tolist() == [0, 1, 2, 2, 1, 0]
    assert table["censored"].tolist() == [0, 0, 0, 0, 1, 1]
    assert table["events"].tolist() == [0, 0, 0, 1, 1, 2]


def test_cosmesis_after_radiotherapy():
    # Finkelstein and Wolfe (1985) Biometrics 41:933; masses as in the literature, as remembered.
    d = read_cosmesis().query("treat == 1")
    found = turnbull(d["lower"], d["right"])
    stretches = [(4, 5), (6, 7), (7, 8), (11, 12), (24, 25), (33, 34), (38, 40), (46, 48)]
    assert list(zip(found.left, found.right, strict=True)) == stretches
    masses = [0.0463, 0.0334, 0.0887, 0.0708, 0.0926, 0.0818, 0.1209, 0.4656]
    near(found.mass, masses, 5.1e-5)
    near(found.log_likelihood, -58.060, 5e-4)
    near(survival_bounds(found, [8, 24, 40])["lowest"], [0.832, 0.761, 0.466], 5e-4)


def test_cosmesis_on_the_date_seen_is_biased():
    # The same rows read as exact at the end, the middle or the start of their interval.
    d = read_cosmesis().query("treat == 1")
    seen = np.isfinite(d["right"])
    # R, survival 3.5-3: summary(survfit(Surv(t, seen) ~ 1), times = c(8, 24, 40))$surv.
    wanted = {
        1.0: [0.9347826, 0.7590047, 0.5476048],
        0.5: [0.8695652, 0.6895380, 0.5374613],
        0.0: [0.8043478, 0.6691152, 0.4917175],
    }
    for share, values in wanted.items():
        last = d["right"].where(seen, d["lower"])
        time = d["lower"] + share * (last - d["lower"])
        # A start of 0 is no time at risk; a moment later says the same at months 8, 24 and 40.
        curve = kaplan_meier(np.maximum(time, 1e-6), seen)
        near(read_curve(curve, [8, 24, 40])["estimate"], values, 5e-8)


def test_two_causes_worked_by_hand():
    time = [3, 5, 6, 8, 8, 10, 12, 14, 16, 20, 24, 24]
    cause = [1, 0, 2, 1, 1, 0, 2, 1, 0, 1, 0, 0]
    curves = aalen_johansen(time, cause)
    at = np.isin(curves.times, [3, 6, 8, 12, 14, 20])
    near(curves.survival[at], [0.91667, 0.82500, 0.64167, 0.53472, 0.42778, 0.28519], 5e-6)
    near(
        curves.estimate[at],
        [
            [0.08333, 0],
            [0.08333, 0.09167],
            [0.26667, 0.09167],
            [0.26667, 0.19861],
            [0.37361, 0.19861],
            [0.51620, 0.19861],
        ],
        5e-6,
    )
    # One minus the curve that censors the other cause overstates the first.
    alone = kaplan_meier(time, np.array(cause) == 1)
    naive = 1 - alone.estimate[np.isin(alone.times, [3, 6, 8, 12, 14, 20])]
    near(naive, [0.08333, 0.08333, 0.28704, 0.28704, 0.42963, 0.61975], 5e-6)
