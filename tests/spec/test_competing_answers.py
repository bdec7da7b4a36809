"""Relapse where death can come first: two ratios side by side, and incidences by group."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from demo import demo_cohort
from drawn import cohort_of

from analytics.analyses import competing_effects, incidence
from analytics.analyses.followed import COMPETING, follow
from analytics.definitions.endpoints import ENDPOINTS
from analytics.definitions.policies import INTERNAL
from analytics.definitions.protocol import Protocol
from analytics.display.block import Block
from analytics.sharing.protect import protect
from analytics.stats.gray import gray_test
from analytics.stats.spells import as_spells


def keys(result) -> list[str]:
    return [note.key for note in result.context.notes]


def test_both_ratios_stand_on_the_same_feet() -> None:
    frame = competing_effects.effects(demo_cohort()).frame
    models = dict(tuple(frame.groupby("model")))
    assert set(models) == {"cause_specific", "subdistribution"}
    for column in ("term", "level", "n", "events"):
        first, second = (models[m][column].tolist() for m in models)
        assert first == second
    assert frame["estimate"].notna().all()


def test_nothing_is_noted_twice() -> None:
    noted = keys(competing_effects.effects(demo_cohort()))
    assert len(noted) == len(set(noted))
    assert "note.proportional" in noted


def test_the_two_part_where_what_comes_first_is_common() -> None:
    # Every severe foot's child dies early: severe feet have the higher hazard while they live,
    # and fewer of them have relapsed in the end.
    n = 120
    severe = np.arange(n) % 2 == 1
    dies = severe & (np.arange(n) % 8 != 1)
    feet = pd.DataFrame(
        {
            "child": [f"c{i}" for i in range(n)],
            "corrected_on": pd.Timestamp("2020-01-01"),
            "last_seen_on": pd.Timestamp("2024-01-01"),
            "status": "in_care",
            "severity_band": np.where(severe, "severe", "mild"),
        }
    )
    days = pd.to_timedelta(200 + 5 * np.arange(n), unit="D")
    feet["died_on"] = (feet["corrected_on"] + days / 4).where(dies)
    relapses = np.where(severe, ~dies, np.arange(n) % 3 == 0)
    feet["relapse_on"] = (feet["corrected_on"] + days).where(relapses)
    frame = competing_effects.effects(
        cohort_of(feet, cut_off="2024-01-01"),
        covariates=(competing_effects.Covariate("severity_band", "mild"),),
    ).frame.set_index("model")["estimate"]
    assert frame["cause_specific"] > 1 > frame["subdistribution"]


def test_delayed_entry_leaves_the_ratio_that_can_be_had() -> None:
    result = competing_effects.effects(demo_cohort(), "transfer_by_age")
    found = result.frame.groupby("model")["estimate"].count()
    assert found["cause_specific"] > 0
    assert found["subdistribution"] == 0
    whys = [n.values["why"].key for n in result.context.notes if n.key == "note.not_estimable"]
    assert whys == ["not_estimable.entry_not_supported"]


def test_the_two_feet_of_a_child_are_told_to_be_alike() -> None:
    notes = {n.key: n for n in competing_effects.effects(demo_cohort()).context.notes}
    told = notes["note.frailty"].values
    assert 1 < told["lower"] < told["times"] < told["upper"]


def test_incidences_by_group_come_with_their_test() -> None:
    cohort = demo_cohort()
    result = incidence.curve(cohort, by=["severity_band"])
    assert set(result.frame["severity_band"]) == {"mild", "moderate", "severe"}
    (note,) = [n for n in result.context.notes if n.key == "note.gray"]
    rows = follow(cohort, ENDPOINTS["relapse"]).rows.dropna(subset=["severity_band"])
    # A band with one child is not compared.
    rows = rows.loc[rows["severity_band"].isin(set(result.frame["severity_band"]))]
    spells = as_spells(rows["time_days"], rows["ended"], cluster=rows["child"])
    test = gray_test(spells, rows["severity_band"].astype(str)).test
    assert note.values["groups"] == 3
    assert note.values["p"] == pytest.approx(test.p)


def test_what_left_otherwise_is_not_said_to_have_ended_its_follow_up() -> None:
    result = incidence.curve(demo_cohort())
    block = Block(protect(result, INTERNAL))
    words = [column.words for column in block.table.columns]
    assert "Left otherwise" in words
    assert "Follow-up ended" not in words
    frame = result.frame
    dead = frame.loc[frame["state"] == "relapse_had_competing"]
    # All leave the risk set once: by death, or otherwise.
    assert dead["events"].sum() + dead["censored"].sum() == dead["at_risk"].iloc[0]
    n_dead = (follow(demo_cohort(), ENDPOINTS["relapse"]).rows["ended"] == COMPETING).sum()
    assert dead["events"].sum() == n_dead


def test_a_group_of_one_child_is_named() -> None:
    cohort = cohort_of(
        """
        child corrected_on relapse_on last_seen_on status  severity_band
        a     2022-01-01   2022-07-01 2022-07-01   in_care mild
        b     2022-01-01   .          2024-10-01   in_care severe
        c     2022-01-01   2023-07-01 2023-07-01   in_care severe
        """,
        cut_off="2025-01-01",
        protocol=Protocol(few_children=1),
    )
    result = incidence.curve(cohort, by=["severity_band"])
    said = Block(protect(result, INTERNAL)).table.notes
    wanted = "Initial severity: mild. Not estimable: there is only one child"
    assert any(note.startswith(wanted) for note in said)


@pytest.mark.parametrize("endpoint", ["relapse", "leaving_care"])
def test_incidences_and_freedom_add_up_by_group(endpoint: str) -> None:
    frame = incidence.curve(demo_cohort(), endpoint, by=["severity_band"]).frame
    for _, rows in frame.groupby("severity_band"):
        wide = rows.pivot(index="time", columns="state", values="estimate").astype(float)
        first = rows.loc[rows["state"] == f"{endpoint}_had"].set_index("time")
        other = rows.loc[rows["state"] == f"{endpoint}_had_competing"].set_index("time")
        gone = (first["events"] + other["events"]).astype(float)
        free = (1 - gone / first["at_risk"].astype(float)).cumprod()
        assert (wide.sum(axis=1) + free).to_numpy() == pytest.approx(1.0, abs=1e-12)
