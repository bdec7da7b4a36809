"""What the data cannot answer is said on the page by name, with the counts found."""

from __future__ import annotations

from collections.abc import Callable
from functools import cache

import numpy as np
import pandas as pd
import pytest
from drawn import cohort_of

from analytics.analyses import (
    competing_effects,
    hazards,
    incidence,
    maturity,
    methods,
    relapse_definitions,
    time_to,
    tipping,
)
from analytics.courses.cohort import Cohort
from analytics.definitions.policies import INTERNAL, PUBLIC, Policy
from analytics.definitions.protocol import Protocol
from analytics.display.block import Block
from analytics.results import Result
from analytics.sharing.protect import protect

BANDS = ["severity_band"]
ASKED: dict[str, Callable[[Cohort], Result]] = {
    "curve": time_to.curve,
    "curve by band": lambda cohort: time_to.curve(cohort, by=BANDS),
    "incidence": incidence.curve,
    "incidence by band": lambda cohort: incidence.curve(cohort, by=BANDS),
    "methods": methods.estimates,
    "definitions": relapse_definitions.estimates,
    "tipping": tipping.estimates,
    "maturity": maturity.estimates,
    "effects": hazards.effects,
    "landmarks": hazards.landmarks,
    "over time": hazards.effects_over_time,
    "both hazards": competing_effects.effects,
}


def feet(n: int, relapsed: range | tuple[int, ...] = (), **changed: object) -> pd.DataFrame:
    """Feet corrected on one day and seen to another, every other one used the brace."""
    i = np.arange(n)
    is_odd = i % 2 == 1
    is_relapsed = np.isin(i, list(relapsed))
    day = pd.Timestamp("2022-01-01")
    frame = pd.DataFrame(
        {
            "child": [f"c{k}" for k in i],
            "corrected_on": day,
            "last_seen_on": pd.Timestamp("2024-06-01"),
            "status": "in_care",
            "pirani_start": 1 + i % 5,
            "age_start_days": 20 + 7 * (i % 9),
            "diagnosis": "idiopathic",
            "adherence_early": np.where(is_odd, "not", "as_advised"),
            "severity_band": np.where(is_odd, "severe", "mild"),
        }
    )
    seen = (day + pd.to_timedelta(300 + 5 * i, unit="D")).to_series(index=frame.index)
    frame["relapse_on"] = seen.where(is_relapsed)
    frame["relapse_free_on"] = (seen - pd.Timedelta(days=90)).where(is_relapsed)
    frame["last_seen_on"] = frame["last_seen_on"].where(~is_relapsed, seen)
    return frame.assign(**changed)


THIRD = range(0, 30, 3)
CASES: dict[str, tuple[pd.DataFrame, dict[str, tuple[str, ...]]]] = {
    "nobody": (feet(0), {name: ("there are no feet (counted: 0)",) for name in ("curve", "effects",
        "methods", "tipping", "maturity", "both hazards", "over time")}),
    "nobody seen again": (feet(30, last_seen_on=pd.Timestamp("2022-01-01")),
        {"curve": ("Left out: 30 (not seen afterwards)", "there are no feet"),
         "effects": ("there are no feet (counted: 0)",)}),
    "seen before the origin only": (feet(30, last_seen_on=pd.Timestamp("2021-12-01")),
        {"incidence": ("Left out: 30 (not seen afterwards)", "there are no feet")}),
    "no relapse": (feet(30), {
        "curve": ("100.0% (88.4% to 100.0%)",),
        "curve by band": ("Comparison of the groups. Not estimable: no event was seen "
                          "(counted: 30, events: 0)",),
        "incidence": ("Relapsed after 1 year: 0.0% (0.0% to 11.6%)",),
        "incidence by band": ("Comparison of the groups. Not estimable: no event was seen",),
        "methods": ("Method: between visits. Not estimable: no event was seen",
                    "Method: weighted for loss. Not estimable: nobody was lost (counted: 30)",
                    "Free of relapse at 3 years: not estimable because too few children were "
                    "followed so long (0; at least 10 are needed)",
                    "no figure for 5 of 6 groups"),
        "definitions": ("Free of relapse at 3 years: not estimable because too few",),
        "tipping": ("no event was seen (counted: 30, events: 0)",),
        "maturity": ("Feet lost for each foot that relapsed: not estimable", "no event was seen"),
        "effects": ("no event was seen (counted: 30, events: 0)",),
        "landmarks": ("Landmark: 3 months. Not estimable: no event was seen",),
        "over time": ("no event was seen",),
        "both hazards": ("no event was seen (counted: 30, events: 0)",)}),
    "one relapse": (feet(30, (3,)), {
        "curve": ("96.7%",),
        "effects": ("one group had the event always or never (in question: Use of the brace, as "
                    "told: not used, counted: 30, events: 1)",)}),
    "all relapse on one day": (feet(30, range(30), relapse_on=pd.Timestamp("2023-02-01")), {
        "curve by band": ("Comparison of the groups. Not estimable: there is nothing to compare.",),
        "effects": ("at every event all feet still at risk were alike",)}),
    "separation": (feet(30, range(1, 30, 2)), {
        "effects": ("one group had the event always or never (in question: Use of the brace, as "
                    "told: not used, counted: 30, events: 15)",)}),
    "nothing varies": (
        feet(30, THIRD, pirani_start=3, age_start_days=30, adherence_early="as_advised"),
        {"effects": ("a covariate is the same in every foot (counted: 30)",),
         "both hazards": ("a covariate is the same in every foot (counted: 30)",)}),
    "one thing does not vary": (feet(30, THIRD, age_start_days=30),
        {"both hazards": ("Age at the first cast, per month is the same in every foot here",)}),
    "few children": (feet(6, (1, 2)), {
        "curve": ("Too few children were followed for a curve", "In all 6 feet, 6 children"),
        "methods": ("not estimable because too few children were followed so long (4; at least "
                    "10 are needed)",),
        "landmarks": ("Fewer than 40 children",)}),
    "one child": (feet(2, (1,), child="x", side=["left", "right"]), {
        "curve": ("there is only one child (children: 1, counted: 2)",),
        "curve by band": ("Initial severity: mild. Not estimable: there is only one child",
                          "Comparison of the groups. Not estimable: there are not two groups to "
                          "compare (groups: 0, counted: 0)"),
        "tipping": ("there is only one child",)}),
    "covariates missing": (
        feet(30, THIRD, pirani_start=pd.NA, age_start_days=pd.NA, adherence_early=pd.NA),
        {"effects": ("Left out: 30 (no initial Pirani score)", "there are no feet (counted: 0)"),
         "both hazards": ("Left out: 30 (no initial Pirani score)",)}),
    "some covariates missing": (
        feet(60, range(0, 60, 3), pirani_start=[pd.NA, 2, 3, 4, 5, 1] * 10),
        {"both hazards": ("Left out: 10 (no initial Pirani score)", "In all 50 feet")}),
}  # fmt: skip


@cache
def answer(case: str, name: str) -> Result:
    return ASKED[name](cohort_of(CASES[case][0], cut_off="2024-07-01"))


def shown(case: str, name: str, policy: Policy) -> str:
    block = Block(protect(answer(case, name), policy))
    return "\n".join([block.to_text(), *block.table.notes])


@pytest.mark.parametrize("policy", [INTERNAL, PUBLIC], ids=lambda p: p.audience)
@pytest.mark.parametrize("case", CASES)
def test_no_page_shows_a_hole(case: str, policy: Policy) -> None:
    for name in ASKED:
        text = shown(case, name, policy)
        for hole in ("nan", "<NA>", "None", "inf", "n_rows", "n_clusters", "n_events"):
            assert hole not in text.replace("infant", ""), f"{name}: {hole}\n{text}"


@pytest.mark.parametrize("case", CASES)
def test_the_page_names_the_reason_with_its_counts(case: str) -> None:
    for name, wanted in CASES[case][1].items():
        text = shown(case, name, INTERNAL)
        for words in wanted:
            assert words in text, f"{name}: {words}\n{text}"


def test_counts_in_reasons_are_withheld_from_the_public() -> None:
    text = shown("one child", "curve", PUBLIC)
    assert "there is only one child (children: too few to show, counted: too few to show)" in text


def test_observation_that_begins_after_it_ends_is_left_out_and_counted() -> None:
    frame = feet(12).assign(
        birth_on=pd.Timestamp("2021-12-01"),
        enrolled_on=pd.Timestamp("2022-01-01"),
        transfer_on=pd.NaT,
    )
    frame.loc[:3, "enrolled_on"] = pd.Timestamp("2024-06-01")
    frame.loc[4:5, "transfer_on"] = pd.Timestamp("2023-06-01")
    cohort = cohort_of(frame, cut_off="2024-07-01", protocol=Protocol(few_children=1))
    result = time_to.curve(cohort, "transfer_by_age")
    assert dict(result.context.exclusions) == {"not_seen_after_origin": 4}
    assert result.context.n_feet == 8
    text = Block(protect(result, INTERNAL)).to_text()
    assert "Left out: 4 (not seen afterwards)" in text
