"""Awkward data on casts, clinics and quarters: each gives a named answer, to the page itself."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from drawn import cohort_of

from analytics.analyses import (
    cast_models,
    cast_steps,
    casts,
    clinics,
    missingness,
    running_sums,
    tenotomy,
    trends,
)
from analytics.courses.cohort import Cohort
from analytics.definitions.indicators import INDICATORS
from analytics.definitions.policies import INTERNAL, PUBLIC
from analytics.display.block import Block
from analytics.results import Result
from analytics.sharing.protect import protect

CORRECTION, LOST = INDICATORS["initial_correction"], INDICATORS["lost_first_year"]


def network(n_children: int = 150, n_clinics: int = 5) -> pd.DataFrame:
    """Feet whose casts follow the score; every third child has two; the draw is always the same."""
    rng = np.random.default_rng(8)
    child = np.repeat(np.arange(n_children), 1 + (np.arange(n_children) % 3 == 0))
    score = np.clip(np.round(2 * rng.normal(4.5, 0.9, child.size)) / 2, 1, 6)
    used = 1 + rng.binomial(9, 1 / (1 + np.exp(1.1 - 0.25 * (score - 4))))
    start = pd.Timestamp("2022-01-10") + pd.to_timedelta(7 * (child % 120), unit="D")
    corrected = rng.random(child.size) < 0.9
    return pd.DataFrame(
        {
            "child": [f"c{i:03d}" for i in child],
            "side": np.where(np.r_[False, child[1:] == child[:-1]], "right", "left"),
            "clinic": [f"K{i % n_clinics}" for i in child],
            "started_on": start.strftime("%Y-%m-%d"),
            "quarter": [f"{d.year}Q{d.quarter}" for d in start],
            "age_start_days": rng.integers(10, 90, child.size).astype(str),
            "pirani_start": score.astype(str),
            "hindfoot_start": np.minimum(score / 2, 3).round(1).astype(str),
            "n_casts": used.astype(str),
            "is_corrected": np.where(corrected, "yes", "no"),
            "has_tenotomy": np.where(rng.random(child.size) < 0.7, "yes", "no"),
            "diagnosis": "idiopathic",
            "prior_treatment": "none",
            "atypical": "no",
        }
    ).astype("string")


def reasons(result: Result) -> set[str]:
    """Return every named answer among the notes."""
    whys = (n.values["why"] for n in result.context.notes if n.key == "note.not_estimable")
    return {why.key.removeprefix("not_estimable.") for why in whys}


def shown(result: Result) -> str:
    """Return the page's own words and table, under both policies; both must be drawn."""
    for policy in (PUBLIC, INTERNAL):
        block = Block(protect(result, policy))
        assert "<svg" in block.to_html()
        assert all(block.sentences)
    return "\n".join([block.to_text(), *block.table.notes])


# --- clinics ----------------------------------------------------------------------------------


def in_clinic(feet: pd.DataFrame, clinic: str, *, n_yes: int) -> Cohort:
    """The network with exactly so many feet of one clinic corrected."""
    answers = feet["is_corrected"].copy()
    own = feet.index[feet["clinic"] == clinic]
    answers[own] = ["yes"] * n_yes + ["no"] * (len(own) - n_yes)
    return cohort_of(feet.assign(is_corrected=answers))


@pytest.mark.parametrize(("n_yes", "position"), [(0, "lower"), (1, "lower"), (40, "as_expected")])
def test_a_clinic_with_no_one_or_all_events_is_judged(n_yes: int, position: str) -> None:
    result = clinics.comparison(in_clinic(network(), "K2", n_yes=n_yes), CORRECTION)
    row = result.frame.set_index("unit").loc["K2"]
    assert (row["numerator"], row["denominator"], row["flag"]) == (n_yes, 40, position)
    figures = row[["estimate", "lower", "upper", "shrunken"]].to_numpy(dtype=float)
    assert np.isfinite(figures).all() and (figures >= 0).all() and (figures <= 1).all()
    assert row["lower"] <= row["estimate"] <= row["upper"]
    assert "K2" in shown(result)


@pytest.mark.parametrize("answer", ["yes", "no"])
def test_a_network_with_all_or_no_events_is_a_named_answer(answer: str) -> None:
    result = clinics.comparison(cohort_of(network().assign(is_corrected=answer)), CORRECTION)
    assert reasons(result) == {"all_events" if answer == "yes" else "no_events"}
    assert result.frame["denominator"].sum() > 0
    assert "Not estimable" in shown(result)


@pytest.mark.parametrize("ask", [clinics.casts, lambda c: clinics.comparison(c, CORRECTION)])
def test_one_clinic_is_a_named_answer(ask) -> None:
    result = ask(cohort_of(network(n_clinics=1)))
    assert reasons(result) == {"too_few_units"}
    assert "there are too few clinics" in shown(result)


def test_so_few_clinics_that_nobody_can_tell_are_not_judged() -> None:
    feet = network(n_clinics=2)
    more = feet["clinic"].eq("K1") & feet.index.to_series().mod(2).eq(0)
    feet["n_casts"] = feet["n_casts"].mask(more, "14")
    result = clinics.casts(cohort_of(feet))
    assert set(result.frame["flag"]) == {"too_few"}
    assert "note.few_clinics" in {note.key for note in result.context.notes}
    assert "only one very far off" in shown(result)


def test_nobody_counted_is_an_empty_answer() -> None:
    feet = network().assign(is_corrected=pd.NA, started_on=pd.NA, quarter=pd.NA)
    for result in (
        clinics.casts(cohort_of(feet)),
        clinics.comparison(cohort_of(feet), CORRECTION),
        running_sums.running_sums(cohort_of(feet), LOST),
        trends.trend(cohort_of(feet), CORRECTION),
    ):
        assert result.frame.empty
        assert "nothing to show" in shown(result).lower()


def test_a_clinic_whose_children_all_differ_from_the_others_is_still_compared() -> None:
    # Separation: every foot of one clinic had surgery before, no foot elsewhere.
    feet = network()
    feet["prior_treatment"] = feet["prior_treatment"].mask(feet["clinic"].eq("K0"), "surgery")
    result = clinics.comparison(in_clinic(feet, "K0", n_yes=0), CORRECTION)
    frame = result.frame.set_index("unit")
    assert np.isfinite(frame["expected"].to_numpy(dtype=float)).all()
    assert frame["expected"].sum() == pytest.approx(frame["numerator"].sum(), rel=0.35)
    shown(result)


# --- quarters ---------------------------------------------------------------------------------


@pytest.mark.parametrize("ask", [trends.trend, trends.trend_of_clinics])
def test_one_quarter_is_a_named_answer(ask) -> None:
    feet = network().assign(started_on="2022-02-01", quarter="2022Q1")
    result = ask(cohort_of(feet), CORRECTION)
    assert reasons(result) == {"too_few_periods"}
    assert result.frame["estimate"].notna().all()
    shown(result)


@pytest.mark.parametrize(("answer", "reason"), [("yes", "all_events"), ("no", "no_events")])
def test_quarters_with_all_or_no_events_are_a_named_answer(answer: str, reason: str) -> None:
    result = trends.trend(cohort_of(network().assign(is_corrected=answer)), CORRECTION)
    assert reasons(result) == {reason}
    told = shown(result)
    assert "Not estimable" in told
    assert "no period is judged" in told and "lies outside" not in told


def test_running_sums_without_events_are_a_named_answer() -> None:
    result = running_sums.running_sums(cohort_of(network()), LOST)
    assert reasons(result) == {"no_events"}
    shown(result)


# --- casts ------------------------------------------------------------------------------------


def test_a_constant_score_is_named_and_the_rest_is_answered() -> None:
    cohort = cohort_of(network().assign(pirani_start="5.0", hindfoot_start="2.5"))
    effects = casts.effects(cohort)
    assert "pirani_start" not in set(effects.frame["term"].dropna())
    assert "is the same in every foot here" in shown(effects)
    seen = casts.estimates(cohort).frame.set_index("measure")
    assert seen.loc["casts_seen", "estimate"] > 1
    for ask in (cast_models.families, cast_models.score_error, cast_steps.estimates):
        result = ask(cohort)
        assert reasons(result) or result.frame["estimate"].notna().all()
        shown(result)
    shown(tenotomy.effects(cohort))
    shown(missingness.effects(cohort))


def test_separation_is_a_named_answer() -> None:
    feet = network()
    stiff = feet["hindfoot_start"].astype(float) >= 2.3
    feet["has_tenotomy"] = np.where(stiff, "yes", "no")
    result = tenotomy.effects(cohort_of(feet))
    assert reasons(result) == {"separation"}
    assert result.frame["estimate"].isna().all()
    assert "one group had the event always or never" in shown(result)


def test_a_score_missing_in_half_the_rows_is_counted_and_imputed() -> None:
    feet = network(n_children=240)
    whole = missingness.effects(cohort_of(feet)).frame.set_index(["rows_used", "term"])
    gone = np.arange(len(feet)) % 2 == 1
    cohort = cohort_of(feet.assign(pirani_start=feet["pirani_start"].mask(gone)))
    n_corrected = int((feet["is_corrected"] == "yes").sum())
    n_gone = int((gone & (feet["is_corrected"] == "yes")).sum())
    effects = casts.effects(cohort)
    assert ("missing_pirani_start", n_gone) in effects.context.exclusions
    profile = missingness.profile(cohort).frame.set_index(["variable", "level"])
    assert profile.loc[("pirani_start", "not_recorded"), "n"] == n_gone
    result = missingness.effects(cohort)
    frame = result.frame.set_index(["rows_used", "term"])
    complete, imputed = (
        frame.loc[(name, "pirani_start")] for name in ("complete_cases", "imputed")
    )
    assert (complete["n"], imputed["n"]) == (n_corrected - n_gone, n_corrected)
    # Both agree with what all scores would have said, within their own intervals.
    truth = whole.loc[("complete_cases", "pirani_start"), "estimate"]
    assert complete["lower"] < truth < complete["upper"]
    assert imputed["lower"] < truth < imputed["upper"]
    notes = {note.key: note.values for note in result.context.notes}
    assert notes["note.imputed"]["n_copies"] >= 40 and notes["note.imputed"]["share"] > 0.05
    assert "with imputed values" in shown(result)
    # Clinics still have all their feet: a missing score takes the middle one.
    assert clinics.casts(cohort).frame["denominator"].sum() == n_corrected


def test_no_score_at_all_is_a_named_answer() -> None:
    cohort = cohort_of(network().assign(pirani_start=pd.NA, hindfoot_start=pd.NA))
    for ask in (casts.effects, casts.estimates, cast_steps.estimates, cast_models.families,
                cast_models.score_error, missingness.effects, tenotomy.effects):  # fmt: skip
        result = ask(cohort)
        assert reasons(result), ask
        assert "Not estimable" in shown(result)
    assert clinics.casts(cohort).frame["estimate"].notna().all()
    assert shown(cast_steps.curve(cohort, by=["severity_band"]))


def test_one_child_is_a_named_answer() -> None:
    cohort = cohort_of(network().head(2))
    for ask in (casts.effects, cast_models.families, cast_models.score_error, clinics.casts):
        assert reasons(ask(cohort)), ask
        shown(ask(cohort))
    assert replace(cohort).feet["child"].nunique() == 1
