"""A stated hypothesis is answered by the model that its outcome asks for."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
import statsmodels.api as sm
from scipy import stats
from stated import known_cohort, study_of

from analytics.analyses import hypothesis, next_study
from analytics.analyses import hypothesis_description as description
from analytics.analyses import hypothesis_sensitivity as sensitivity
from analytics.analyses.consistency import check_result
from analytics.analyses.hypothesis_loss import loss
from analytics.analyses.hypothesis_missing import missing
from analytics.analyses.outcome_models import MODELS
from analytics.definitions.hypotheses import Hypothesis

RELAPSE = Hypothesis("sex", "relapse", ("pirani_start", "clinic"), "bilateral")
OUTCOMES = {
    "time": RELAPSE,
    "share": Hypothesis("sex", "tenotomy_rate", ("age_start_days",), "bilateral"),
    "ratio": Hypothesis("sex", "follow_up_completeness", ("age_start_days",)),
    "mean": Hypothesis("sex", "casts_to_correction", ("pirani_start",)),
    "casts": Hypothesis("sex", "casts", ("pirani_start", "clinic"), "bilateral"),
}
PARTS = (
    hypothesis.flow, description.profile, description.differences, hypothesis.effects,
    hypothesis.subgroup_effects, sensitivity.definitions, loss, missing, sensitivity.models,
    next_study.next_study,
)  # fmt: skip


def line(result, **wanted):
    frame = result.frame
    for name, value in wanted.items():
        frame = frame.loc[frame[name] == value]
    (found,) = frame.to_dict("records")
    return found


@pytest.mark.parametrize("kind", OUTCOMES)
def test_every_part_answers_for_every_kind_of_outcome(kind):
    study = study_of(OUTCOMES[kind])
    assert study.outcome.kind == kind
    for part in PARTS:
        result = part(study)
        assert check_result(result) == [], part.__name__
        assert result.context.method.key
    models = sensitivity.models(study)
    assert set(models.frame["model"]) == {*MODELS[kind], "unadjusted"}
    assert models.frame["estimate"].notna().all()


def test_what_was_drawn_is_found():
    """Boys relapse three times as fast and need a fifth more casts: within three errors."""
    for kind, wanted in (("time", 3.0), ("casts", 1.15)):
        found = line(hypothesis.effects(study_of(OUTCOMES[kind])), level="male")
        error = np.log(found["upper"] / found["lower"]) / (2 * 1.96)
        assert abs(np.log(found["estimate"] / wanted)) < 3 * error
        assert found["reference"] == "female"


def test_a_yes_or_no_is_a_risk_ratio_as_statsmodels_gives_it():
    """Poisson GEE, exchangeable, of statsmodels 0.15: the same ratio; errors times the square root
    of G / (G - 1) and (n - 1) / (n - p), which it leaves out.
    """
    study = study_of(OUTCOMES["share"])
    rows = hypothesis.derive_study(study)
    used = rows.loc[rows["study_stage"].eq("complete").fillna(False)]
    design = pd.DataFrame(
        {
            "one": 1.0,
            "male": used["sex"].eq("male").astype(float),
            "age": used["age_start_days"].astype(float) / 30.4375,
        }
    )
    event, child = used["study_event"].astype(float), used["child"]
    correlated = sm.cov_struct.Exchangeable()
    poisson = sm.families.Poisson()
    theirs = sm.GEE(event, design, groups=child, family=poisson, cov_struct=correlated).fit()
    ours = line(hypothesis.effects(study), level="male")
    assert ours["estimate"] == pytest.approx(np.exp(theirs.params["male"]), rel=1e-4)
    n, g = len(used), child.nunique()
    factor = np.sqrt(g / (g - 1) * (n - 1) / (n - 3))
    half = np.log(ours["upper"] / ours["estimate"])
    assert half == pytest.approx(stats.t.ppf(0.975, g - 3) * theirs.bse["male"] * factor, rel=1e-3)


def test_rows_of_the_analysis_file_are_those_of_the_answer():
    study = study_of(RELAPSE)
    rows = hypothesis.derive_study(study)
    whole = hypothesis.effects(study)
    complete = rows["study_stage"].eq("complete").fillna(False)
    assert int(complete.sum()) == whole.context.n_feet
    assert float(rows.loc[complete, "study_event"].sum()) == whole.context.n_events
    stages = rows["study_stage"].value_counts()
    flow = hypothesis.flow(study).frame.drop_duplicates("step").set_index("step")
    assert stages.get("outside", 0) == flow.loc["eligible", "n_in"] - flow.loc["eligible", "n_out"]
    lost = flow.loc["answered", "n_in"] - flow.loc["answered", "n_out"]
    assert stages.get("unanswered", 0) == lost
    assert stages.get("incomplete", 0) == flow.loc["complete", "n_in"] - whole.context.n_feet


def test_the_subgroup_gives_each_level_its_own_ratio():
    """Fitted on each level alone, with other coefficients its own, the ratios are near those of
    one model; with the exposure alone they would be the same.
    """
    bare = Hypothesis("sex", "casts", (), "bilateral")
    study = study_of(bare)
    both = hypothesis.subgroup_effects(study)
    for level, flag in (("True", True), ("False", False)):
        feet = known_cohort().feet
        part = feet.loc[feet["bilateral"].eq(flag)]
        alone = study_of(replace(bare, subgroup=""), replace(known_cohort(), feet=part))
        wanted = line(hypothesis.effects(alone), level="male")
        found = line(both, bilateral=level)
        assert found["estimate"] == pytest.approx(wanted["estimate"], rel=0.02)
        assert (found["n"], found["events"]) == (wanted["n"], wanted["events"])
    assert [n.key for n in both.context.notes] == ["note.interaction"]


def test_no_subgroup_is_said_so():
    result = hypothesis.subgroup_effects(study_of(Hypothesis("sex", "relapse")))
    assert result.frame.empty
    assert [note.key for note in result.context.notes] == ["note.no_subgroup"]


def test_what_those_lost_came_to_moves_the_answer_the_right_way():
    study = study_of(RELAPSE)
    result = loss(study)
    at = {name: line(result, loss=name)["estimate"] for name in result.frame["loss"].unique()}
    assert at["exposed_event"] > at["as_stated"] > at["others_event"]
    assert at["exposed_5"] > at["exposed_2"] > at["all_1"] > at["others_2"] > at["others_5"]
    # As likely as those seen is what censoring takes for granted.
    assert at["all_1"] == pytest.approx(at["as_stated"], rel=0.08)
    assert {n.key for n in result.context.notes} & {"note.tips", "note.no_tipping"}


def test_the_same_seed_draws_the_same():
    study = study_of(RELAPSE)
    for part in (missing, loss):
        one, two = part(study, seed=5), part(study, seed=5)
        pd.testing.assert_frame_equal(one.frame, two.frame)
        assert one.context.seed == 5


def test_imputing_uses_every_row_and_narrows_nothing_by_itself():
    result = missing(study_of(RELAPSE))
    complete, imputed = (line(result, rows_used=n) for n in ("complete_cases", "imputed"))
    assert imputed["n"] > complete["n"]
    # One value in twelve is missing by chance: the answer hardly moves.
    assert imputed["estimate"] == pytest.approx(complete["estimate"], rel=0.1)


def test_differences_are_of_the_exposure_and_unknown_is_missing():
    result = description.differences(study_of(Hypothesis("sex", "relapse", ("family_history",))))
    told = line(result, variable="family_history")
    assert told["unknown"] > 0.3 * told["n"]
    assert pd.isna(told["estimate"])  # all who are known say no
    profile = description.profile(study_of(RELAPSE)).frame
    assert set(profile["sex"]) == {"male", "female"}


def test_the_next_study_scales_with_the_error_of_this_one():
    study = study_of(RELAPSE)
    found = next_study.next_study(study, ratios=(2.0,), powers=(0.8,))
    answer = line(hypothesis.effects(study), level="male")
    se = np.log(answer["upper"] / answer["lower"]) / (2 * 1.96)
    wanted = answer_rows(study) * (se * (1.96 + 0.8416) / np.log(2)) ** 2
    assert line(found)["estimate"] == pytest.approx(wanted, rel=0.01)


def answer_rows(study):
    return hypothesis.effects(study).context.n_feet
