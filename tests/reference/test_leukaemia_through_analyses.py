"""The 6-MP trial, as feet of one network, through the public functions.

Source of the data: Freireich et al. 1963, Blood 21:699, as printed by Gehan 1965, Biometrika
52:203 (weeks of remission; ``+`` is censored). Survival table of the 6-MP arm with Greenwood's
errors, the two medians and the Cox coefficient (Efron's ties): the worked example of Collett,
Modelling Survival Data in Medical Research, and R 4.2.2 survival 3.5-3 on ``KMsurv::drug6mp`` and
``MASS::gehan``. Printed digits decide the tolerances: half a unit of the last one.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from drawn import cohort_of
from scipy import stats

from analytics.analyses import hazards, time_to
from analytics.analyses.design import Covariate
from analytics.courses.cohort import Cohort

SIX_MP = "6 6 6 6+ 7 9+ 10 10+ 11+ 13 16 17+ 19+ 20+ 22 23 25+ 32+ 32+ 34+ 35+"
PLACEBO = "1 1 2 2 3 4 4 5 5 8 8 8 8 11 11 12 12 15 17 22 23"

#: week: at risk, events, S, and limits of the 95% log-log interval where they are printed.
TABLE = {
    6: (21, 3, 0.8571),
    7: (17, 1, 0.8067),
    10: (15, 1, 0.7529),
    13: (12, 1, 0.6902),
    16: (11, 1, 0.6275),
    22: (7, 1, 0.5378),
    23: (6, 1, 0.4482),
}
LIMITS = {10: (0.5032, 0.8894), 23: (0.1881, 0.6801)}


def trial() -> Cohort:
    start = pd.Timestamp("2020-01-01")
    lines = []
    for arm, weeks in (("treated", SIX_MP), ("placebo", PLACEBO)):
        for number, word in enumerate(weeks.split()):
            end = start + pd.Timedelta(weeks=int(word.rstrip("+")))
            day = end.strftime("%Y-%m-%d")
            lines.append(
                {
                    "child": f"{arm}-{number}",
                    "sex": {"treated": "female", "placebo": "male"}[arm],
                    "started_on": "2019-11-01",
                    "corrected_on": "2020-01-01",
                    "relapse_on": None if "+" in word else day,
                    "last_seen_on": day,
                }
            )
    return cohort_of(pd.DataFrame(lines, dtype="string"))


def test_the_survival_table_and_its_limits() -> None:
    result = time_to.curve(trial(), "relapse", by=["sex"])
    arm = result.frame.loc[result.frame["sex"] == "female"].set_index("time")
    for week, (at_risk, events, estimate) in TABLE.items():
        row = arm.loc[7.0 * week]
        assert (row["at_risk"], row["events"]) == (at_risk, events)
        assert row["estimate"] == pytest.approx(estimate, abs=5e-5)
    # Printed limits take a normal quantile; under 40 children ours take Student's t (21 - 1).
    wider = stats.t.ppf(0.975, 20) / stats.norm.ppf(0.975)
    for week, limits in LIMITS.items():
        ours = arm.loc[7.0 * week, ["lower", "upper"]].to_numpy(dtype=float)
        middle = np.log(-np.log(arm.loc[7.0 * week, "estimate"]))
        back = np.exp(-np.exp(middle + (np.log(-np.log(ours)) - middle) / wider))
        assert back == pytest.approx(np.array(limits), abs=5e-5)


def test_every_step_accounts_for_every_foot() -> None:
    frame = time_to.curve(trial(), "relapse").frame
    gone = (frame["events"] + frame["censored"]).cumsum().shift(fill_value=0)
    assert (frame["at_risk"] + gone).eq(42).all()


def test_the_cox_coefficient_with_efrons_ties() -> None:
    covariates = [Covariate("sex", "female")]
    result = hazards.effects(trial(), "relapse", covariates=covariates, landmark_days=0)
    (row,) = result.frame.to_dict("records")
    assert (row["term"], row["level"], row["events"]) == ("sex", "male", 21)
    assert np.log(row["estimate"]) == pytest.approx(1.5721, abs=5e-5)
    assert result.context.n_events == 30


def test_a_landmark_leaves_out_and_counts_what_came_before() -> None:
    covariates = [Covariate("sex", "female")]
    result = hazards.effects(trial(), "relapse", covariates=covariates, landmark_days=7 * 10)
    assert dict(result.context.exclusions)["before_landmark"] == 8 + 13


def test_one_clinic_without_events_is_said_not_hidden() -> None:
    feet = trial().feet.assign(relapse_on=pd.NaT)
    cohort = cohort_of(feet.loc[:, ["child", "side"]].astype("string"))
    result = hazards.effects(cohort, "relapse")
    assert result.frame.empty
    assert result.context.notes[-1].key == "note.not_estimable"
