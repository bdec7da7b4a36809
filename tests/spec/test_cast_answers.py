"""Casts and score: unfinished series counted, families compared, tenotomy, missing values."""

from __future__ import annotations

import numpy as np
import pytest
from demo import demo_cohort, truth
from drawn import cohort_of

from analytics.analyses import cast_models, cast_steps, missingness, tenotomy
from analytics.analyses.consistency import check_result

EXACT = truth()["exact"]

SMALL = """
child started_on  n_casts is_corrected pirani_start
a     2024-01-01  3       yes          4
b     2024-01-01  4       yes          4
c     2024-01-01  4       no           5
d     2024-01-01  5       yes          5
e     2024-01-01  6       yes          6
f     .           .       .            6
"""


def test_an_unfinished_series_is_censored_after_its_last_cast() -> None:
    frame = cast_steps.curve(cohort_of(SMALL)).frame.set_index("time")
    # By hand: 4/5 after 3 casts, times 3/4 after 4, times 1/2 after 5 with c gone, then 0.
    assert frame["estimate"].tolist() == pytest.approx([1, 0.8, 0.6, 0.3, 0])
    assert frame["censored"].sum() == 1


def test_every_foot_left_out_is_counted() -> None:
    context = cast_steps.curve(cohort_of(SMALL)).context
    assert context.exclusions == (("no_cast_recorded", 1),)
    assert context.time_unit == "cast"


def test_no_series_finished_is_a_named_answer() -> None:
    none = SMALL.replace("yes", "no")
    result = cast_steps.estimates(cohort_of(none))
    assert result.frame.empty
    assert result.context.notes[-1].values["why"].key == "not_estimable.no_events"


def test_finished_feet_alone_seem_to_need_fewer_casts() -> None:
    frame = cast_steps.estimates(demo_cohort()).frame
    wide = frame.pivot(index="pirani_start", columns="measure", values="estimate")
    assert (wide["casts_expected"] > wide["casts_finished"]).all()
    assert wide["casts_expected"].is_monotonic_increasing


def test_families_agree_on_the_ratio_and_the_default_holds_the_truth() -> None:
    result = cast_models.families(demo_cohort())
    assert not check_result(result)
    frame = result.frame.set_index("family")
    true = np.exp(EXACT["log_rr_pirani_start"])
    first = frame.loc["clustered"]
    assert first["lower"] < true < first["upper"]
    assert (frame["estimate"] - first["estimate"]).abs().max() < 0.03
    width = frame["upper"] - frame["lower"]
    # Counts of casts vary less than Poisson ones: the plain interval is far too wide.
    assert width["poisson"] > 1.2 * width["clustered"]
    assert width["quasi_poisson"] < width["poisson"]
    failed = {str(n.values["family"].key) for n in result.context.notes
              if n.key == "note.family_has_none"}  # fmt: skip
    assert "level.family.negative_binomial" in failed


def test_less_reliable_scores_hide_a_steeper_slope() -> None:
    frame = cast_models.score_error(demo_cohort()).frame.set_index("reliability")
    assert frame.loc["1", "estimate"] < frame.loc["0.9", "estimate"] < frame.loc["0.8", "estimate"]


def test_a_stiffer_hindfoot_has_tenotomy_more_often() -> None:
    result = tenotomy.effects(demo_cohort())
    row = result.frame.set_index("term").loc["hindfoot_start"]
    # The demo is drawn with a log-odds of 1.1 per point.
    assert row["lower"] < np.exp(truth()["model"]["logit_tenotomy_per_hindfoot"]) < row["upper"]
    slope = next(n for n in result.context.notes if n.key == "note.calibration")
    assert slope.values["slope"] == pytest.approx(1, abs=0.1)


def test_feet_with_and_without_a_value_add_up() -> None:
    frame = missingness.profile(demo_cohort()).frame
    totals = frame.groupby("variable")["n"].sum()
    assert totals.nunique() == 1
    lacking = frame.loc[frame["level"].eq("not_recorded")].set_index("variable")
    assert (lacking["n"] == lacking["missing"]).all()
    feet = demo_cohort().feet
    corrected = feet.loc[feet["is_corrected"].fillna(False) & feet["n_casts"].ge(1).fillna(False)]
    no_age, no_diagnosis = corrected["age_start_days"].isna(), corrected["diagnosis"].eq("unknown")
    assert 0 < no_age.sum() == lacking.loc["age_start_days", "n"]
    assert 0 < no_diagnosis.sum() == lacking.loc["diagnosis", "n"]


def test_imputed_answers_use_every_corrected_foot_and_agree() -> None:
    result = missingness.effects(demo_cohort(), seed=3)
    frame = result.frame.loc[result.frame["term"].eq("pirani_start")].set_index("rows_used")
    assert frame.loc["imputed", "n"] == result.context.n_feet
    assert frame.loc["complete_cases", "n"] < frame.loc["imputed", "n"]
    true = np.exp(EXACT["log_rr_pirani_start"])
    for row in frame.itertuples():
        assert row.lower < true < row.upper
