"""A hypothesis that cannot be asked is refused with a word that helps."""

from dataclasses import replace

import pytest
from stated import known_cohort, study_of

from analytics.analyses import hypothesis
from analytics.definitions.custom import build_catalogue
from analytics.definitions.endpoints import ENDPOINTS
from analytics.definitions.hypotheses import KNOWN_AT, Hypothesis, find_outcome, find_variants
from analytics.definitions.indicators import INDICATORS
from analytics.definitions.labels import label, labels
from analytics.definitions.policies import INTERNAL, PUBLIC
from analytics.definitions.protocol import Protocol
from analytics.display.block import Block
from analytics.errors import RecordsError, SettingsError
from analytics.sharing.protect import protect


@pytest.mark.parametrize(
    ("stated", "found", "help"),
    [
        (Hypothesis("pirani_strat", "relapse"), "no column called 'pirani_strat'", "pirani_start"),
        (Hypothesis("sex", "relapsed"), "no outcome called 'relapsed'", "'relapse'"),
        (Hypothesis("sex", "relapse_treated"), "both an endpoint and an indicator",
         "endpoint:relapse_treated, indicator:relapse_treated"),
        (Hypothesis("sex", "relapse", ("sex",)), "'sex' stands twice", "take one out"),
        (Hypothesis("adherence_early", "casts"), "known only after", "outcome that begins later"),
        (Hypothesis("sex", "casts", ("n_casts",)), "known only after", "pirani_start"),
        (Hypothesis("relapse_on", "casts"), "no column called 'relapse_on'", "pirani_start"),
        (Hypothesis("sex", "relapse", (), "nothing"), "no column called 'nothing'", "sex"),
    ],
)  # fmt: skip
def test_what_is_wrong_and_what_to_do(stated, found, help):
    with pytest.raises(SettingsError) as raised:
        study_of(stated)
    assert found in raised.value.found
    assert help in f"{raised.value.allowed} {raised.value.todo}"


def test_an_exposure_that_does_not_vary_is_named_with_its_value():
    with pytest.raises(RecordsError) as raised:
        study_of(Hypothesis("prior_treatment", "relapse"))
    assert "'prior_treatment' does not vary" in raised.value.found
    assert "all as 'none'" in raised.value.found
    # Half say unknown, the others no: that is one level, not two.
    with pytest.raises(RecordsError, match="all as 'no'"):
        study_of(Hypothesis("family_history", "relapse"))
    with pytest.raises(RecordsError, match="0 of"):
        study_of(Hypothesis("travel_minutes", "relapse"))


def test_too_few_events_are_an_answer_not_a_crash():
    study = study_of(Hypothesis("sex", "relapse_release"))
    result = hypothesis.effects(study)
    assert result.frame["estimate"].isna().all()
    note = result.context.notes[-1]
    assert note.values["why"].key == "not_estimable.too_few_events"
    notes = Block(protect(result, INTERNAL), "en").table.notes
    assert any("too few events" in note for note in notes)


def test_what_is_known_at_the_landmark_is_compared_from_there_on():
    feet = known_cohort().feet
    told = ["as_advised" if n % 3 else "not" for n in range(len(feet))]
    cohort = replace(known_cohort(), feet=feet.assign(adherence_early=told))
    study = study_of(Hypothesis("adherence_early", "relapse"), cohort)
    assert study.landmark_days == Protocol().landmark_days
    rows = study.asked.rows
    assert (rows["entry_days"] >= study.landmark_days).all()
    assert (rows["time_days"] > study.landmark_days).all()
    assert dict(study.asked.unanswered)["before_landmark"] > 0


@pytest.mark.parametrize("code", [*ENDPOINTS, *INDICATORS, "casts", "casts_all"])
def test_every_endpoint_and_indicator_can_be_an_outcome(code):
    is_both = code in ENDPOINTS and code in INDICATORS
    outcome = find_outcome(f"indicator:{code}" if is_both else code, INDICATORS)
    assert outcome.kind in ("time", "share", "ratio", "mean", "casts")
    for variant in find_variants(outcome, INDICATORS):
        keys = (
            f"level.definition.{variant.code}",
            f"level.{variant.code}",
            f"measure.{variant.code}",
        )
        assert any(key in labels("en") for key in keys), variant.code


def test_an_indicator_of_the_programme_s_own_can_be_an_outcome():
    own = {
        "many": {
            "title": "Many casts",
            "area": "casting",
            "population": "is_corrected",
            "numerator": "n_casts >= 5",
            "known": "n_casts != missing",
            "better": "lower",
        }
    }
    catalogue = build_catalogue(own, Protocol(), where="test", columns=[], language="en")
    assert catalogue.faults == ()
    from analytics.analyses.study import state

    study = state(known_cohort(), Hypothesis("sex", "many"), catalogue.indicators)
    assert hypothesis.effects(study).frame["estimate"].notna().all()


def test_columns_carried_along_may_explain():
    feet = known_cohort().feet
    cohort = replace(known_cohort(), feet=feet.assign(extra_shoe_size=range(len(feet))))
    study = study_of(Hypothesis("extra_shoe_size", "relapse", ("pirani_start",)), cohort)
    text = Block(protect(hypothesis.effects(study), INTERNAL), "en").to_text()
    assert "shoe size" in text


@pytest.mark.parametrize("language", ["en", "fr", "es", "pt"])
@pytest.mark.parametrize("name", [n for names in KNOWN_AT.values() for n in names])
def test_every_column_that_may_explain_has_words(name, language):
    assert label(language, f"column.{name}")


def test_nothing_small_leaves_with_a_public_answer():
    """Two girls with the event are not told, nor what rests on them."""
    study = study_of(Hypothesis("sex", "relapse", ("pirani_start",)))
    released = protect(hypothesis.effects(study), PUBLIC)
    counts = released.frame[["n", "events"]].to_numpy(dtype=float, na_value=0.0)
    assert not ((counts > 0) & (counts < 5)).any()
