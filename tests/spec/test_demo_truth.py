"""Estimates on the demo cover what it was drawn from (``truth.toml``).

Intervals are the ones shown (95%) for the figures that lead a report. The seven coefficients of
the relapse model are judged together (Wald's statistic against its 99.9% point), because one draw
in three has at least one of seven 95% intervals off the mark.
"""

from __future__ import annotations

import numpy as np
import pytest
from demo import demo_cohort, truth
from scipy import stats

from analytics.analyses import casts, hazards, indicators
from analytics.definitions.indicators import INDICATORS

LARGE, EXACT = truth()["large_network"], truth()["exact"]

SHARES = {
    "relapse_free_1y": "relapse_free_12_months_seen_at_visits",
    "relapse_free_2y": "relapse_free_24_months_seen_at_visits",
    "tenotomy_rate": "tenotomy_rate",
    "initial_correction": "initial_correction_rate",
    "dropped_out": "lost_share",
}


@pytest.mark.parametrize("code", SHARES)
def test_a_share_covers_the_truth(code: str) -> None:
    row = indicators.estimates(demo_cohort(), [INDICATORS[code]]).frame.iloc[0]
    assert row["lower"] <= LARGE[SHARES[code]] <= row["upper"]


def test_casts_per_point_cover_the_truth_and_are_under_dispersed() -> None:
    result = casts.effects(demo_cohort())
    row = result.frame.set_index("term").loc["pirani_start"]
    assert row["lower"] <= np.exp(EXACT["log_rr_pirani_start"]) <= row["upper"]
    said = {note.key: note.values for note in result.context.notes}
    assert said["note.dispersion"]["dispersion"] == pytest.approx(LARGE["dispersion"], abs=0.03)
    assert said["note.poisson_width"]["times"] > 1.3


def test_relapse_goes_with_severity_and_use_as_in_the_truth() -> None:
    frame = hazards.effects(demo_cohort(), "relapse").frame.set_index(["term", "level"])
    names = {
        "log_hr_pirani_start": ("pirani_start", ""),
        "log_hr_age_months": ("age_start_days", ""),
        "log_hr_adherence_partly": ("adherence_early", "partly"),
        "log_hr_adherence_not": ("adherence_early", "not"),
        "log_hr_diagnosis_syndromic": ("diagnosis", "syndromic"),
        "log_hr_diagnosis_neurogenic": ("diagnosis", "neurogenic"),
        "log_hr_diagnosis_unknown": ("diagnosis", "unknown"),
    }
    rows = frame.loc[list(names.values())]
    log = np.log(rows[["estimate", "lower", "upper"]].to_numpy(dtype=float))
    true = np.array([LARGE[name] for name in names])
    se = (log[:, 2] - log[:, 1]) / (2 * stats.norm.ppf(0.975))
    # The terms are nearly uncorrelated, so the sum of squares stands for Wald's statistic.
    assert (((log[:, 0] - true) / se) ** 2).sum() < stats.chi2.ppf(0.999, len(names))
    for name in ("log_hr_pirani_start", "log_hr_adherence_not"):
        row = log[list(names).index(name)]
        assert row[1] <= LARGE[name] <= row[2]


def test_the_clinic_with_many_lost_loses_more_than_its_share() -> None:
    result = indicators.estimates(demo_cohort(), [INDICATORS["dropped_out"]], by=["clinic"])
    row = result.frame.set_index("clinic").loc[truth()["clinics"]["many_lost"]]
    assert row["lower"] > LARGE["lost_share"]
