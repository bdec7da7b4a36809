"""One relapse question by several methods, definitions and assumptions, on feet drawn by hand."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from demo import demo_cohort
from drawn import cohort_of

from analytics.analyses import (
    hazards,
    incidence,
    maturity,
    methods,
    relapse_definitions,
    time_to,
    tipping,
)
from analytics.definitions.protocol import Protocol

FEW = Protocol(few_children=1)

FEET = """
    child corrected_on relapse_on relapse_free_on last_seen_on status died_on
    a     2022-01-01   2022-07-01 2022-04-01      2022-07-01   in_care .
    b     2022-01-01   .          .               2022-10-01   lost    .
    c     2022-01-01   2023-04-01 2023-01-01      2023-04-01   in_care .
    d     2022-01-01   .          .               2023-09-01   departed 2023-09-01
    e     2022-01-01   .          .               2024-12-01   in_care .
    f     2022-01-01   .          .               2024-12-01   in_care .
    """


def small():
    return cohort_of(FEET, cut_off="2025-01-01", protocol=FEW)


def shares(result, group: str, measure: str = "free_730d") -> pd.Series:
    frame = result.frame
    return frame.loc[frame["measure"] == measure].set_index(group)["estimate"]


def test_a_multiple_of_one_is_the_curve_itself() -> None:
    by_multiple = shares(tipping.estimates(small()), "multiple")
    by_method = shares(methods.estimates(small()), "method")
    assert by_multiple[1.0] == pytest.approx(by_method["clustered"], abs=1e-12)
    # 5/6 after the first relapse, then 3/4 of those at risk: worked by hand.
    assert by_method["clustered"] == pytest.approx(5 / 6 * 3 / 4, abs=1e-12)


def test_the_lost_at_three_times_the_hazard_by_hand() -> None:
    # One foot of six was lost after the first relapse: its chance 3/4 becomes (3/4) cubed.
    by_multiple = shares(tipping.estimates(small()), "multiple")
    wanted = (0 + (3 / 4) ** 3 + 0 + 3) / 6
    # Feet: a relapsed, b lost, c relapsed, d died later (followed to 608 days, before the
    # horizon, at a chance of 1 since nothing happens after), e and f followed past it.
    assert by_multiple[3.0] == pytest.approx(wanted, abs=1e-12)
    assert by_multiple.is_monotonic_decreasing


def test_the_crude_share_counts_feet_however_short_their_follow_up() -> None:
    frame = methods.estimates(small()).frame
    crude = frame.loc[frame["method"] == "crude"]
    assert crude["numerator"].eq(4).all()
    assert crude["estimate"].to_numpy(dtype=float) == pytest.approx(4 / 6)


def test_feet_in_care_are_counted_until_the_cut_off_and_others_to_their_last_visit() -> None:
    cohort = cohort_of(
        """
        child corrected_on relapse_on relapse_free_on last_seen_on status
        a     2022-01-01   2022-07-01 2022-04-01      2022-07-01   in_care
        b     2022-01-01   .          .               2022-04-01   in_care
        c     2022-01-01   .          .               2022-04-01   lost
        d     2022-01-01   .          .               2022-04-01   completed
        e     2022-01-01   .          .               2023-02-01   in_care
        """,
        cut_off="2023-02-01",
        protocol=FEW,
    )
    found = shares(methods.estimates(cohort), "method", "free_365d")
    # At the relapse a and e were at risk by their visits; b too by the cut-off, c and d not.
    assert found["clustered"] == pytest.approx(1 / 2, abs=1e-12)
    assert found["until_cut_off"] == pytest.approx(2 / 3, abs=1e-12)


def test_incidences_and_freedom_add_up_to_one() -> None:
    frame = incidence.curve(demo_cohort()).frame
    wide = frame.pivot(index="time", columns="state", values="estimate").astype(float)
    # Freedom from both, by the product over all that ends a foot's time.
    own = frame.loc[frame["state"] == "relapse_had"].set_index("time")
    other = frame.loc[frame["state"] == "relapse_had_competing"].set_index("time")
    ended = (own["events"] + other["events"]).astype(float)
    free = (1 - ended / own["at_risk"].astype(float)).cumprod()
    assert (wide.sum(axis=1) + free).to_numpy() == pytest.approx(1.0, abs=1e-12)


def test_death_counted_as_censoring_overstates_relapse() -> None:
    upward = incidence.curve(demo_cohort()).frame
    had = upward.loc[upward["state"] == "relapse_had", "estimate"].astype(float).max()
    free = time_to.curve(demo_cohort()).frame["estimate"].astype(float).min()
    assert had < 1 - free


def test_the_interval_curve_lies_below_the_visit_curve_where_events_come_between_visits() -> None:
    result = methods.estimates(demo_cohort())
    found = shares(result, "method", "free_365d").astype(float)
    assert found["interval"] < found["clustered"]
    assert result.context.seed is not None


def test_two_runs_are_equal_to_the_bit() -> None:
    first, second = (methods.estimates(demo_cohort()).frame for _ in range(2))
    pd.testing.assert_frame_equal(first, second, check_exact=True)


def test_definitions_are_read_on_the_same_feet() -> None:
    frame = relapse_definitions.estimates(demo_cohort()).frame
    assert frame["denominator"].nunique() == 1
    found = frame.loc[frame["measure"] == "free_730d"].set_index("definition")["estimate"]
    assert found["operation"] > found["relapse"]
    assert found["relapse"] <= found["relapse_noted"]


def test_use_over_time_agrees_with_the_landmark_in_direction() -> None:
    result = hazards.effects_over_time(demo_cohort())
    row = result.frame.set_index(["term", "level"]).loc[("adherence", "not")]
    assert row["lower"] > 1
    assert any(
        n.key in ("note.proportional", "note.not_proportional") for n in result.context.notes
    )


def test_nobody_relapsed_is_an_answer() -> None:
    quiet = cohort_of(
        """
        child corrected_on last_seen_on status
        a     2022-01-01   2024-12-01   in_care
        b     2022-01-01   2024-12-01   in_care
        """,
        cut_off="2025-01-01",
        protocol=FEW,
    )
    frame = methods.estimates(quiet).frame
    assert frame.loc[frame["method"] == "crude", "estimate"].eq(1).all()
    assert shares(relapse_definitions.estimates(quiet), "definition").eq(1).all()
    assert np.isnan(shares(tipping.estimates(quiet), "multiple").astype(float)).all()


def test_follow_up_and_loss_by_hand() -> None:
    frame = maturity.estimates(small()).frame.set_index("measure")["estimate"]
    # One foot was lost and two relapsed.
    assert frame["lost_per_event"] == pytest.approx(1 / 2)
    # Free time of six feet in 730 days: 1 to day 181, 5/6 to day 455, 5/6 x 3/4 to the end.
    area = 181 + 5 / 6 * (455 - 181) + 5 / 6 * 3 / 4 * (730 - 455)
    assert frame["time_free_2y"] == pytest.approx(area)
    # Reverse curve: lost at 273 (of 5), died at 608 (of 3); then two end at the cut-off together.
    assert frame["median_follow_up"] == 1065


def test_a_landmark_compares_by_what_was_told_up_to_it() -> None:
    frame = hazards.landmarks(demo_cohort()).frame
    assert set(frame["landmark"]) == {"day_91", "day_183", "day_365"}
    score = frame.loc[frame["term"] == "pirani_start"].set_index("landmark")["n"]
    assert score["day_91"] > score["day_183"] > score["day_365"]


ONE = """
    child corrected_on relapse_on relapse_free_on last_seen_on status  severity_band
    a     2022-01-01   2022-07-01 2022-04-01      2022-07-01   in_care unknown
    """
TWO = (
    ONE
    + """    b     2022-01-01   .          .               2024-10-01   in_care severe
    c     2022-01-01   2023-07-01 2023-04-01      2023-07-01   in_care severe
    """
)


def test_one_child_is_an_answer_everywhere() -> None:
    cohort = cohort_of(ONE, cut_off="2025-01-01", protocol=FEW)
    for result in (
        time_to.curve(cohort),
        incidence.curve(cohort),
        methods.estimates(cohort),
        relapse_definitions.estimates(cohort),
        tipping.estimates(cohort),
        maturity.estimates(cohort),
        hazards.effects(cohort),
    ):
        assert result.frame.empty or result.frame["lower"].notna().sum() <= 3


def test_a_group_of_one_child_does_not_take_the_other_groups_curve() -> None:
    cohort = cohort_of(TWO, cut_off="2025-01-01", protocol=FEW)
    result = time_to.curve(cohort, by=["severity_band"])
    assert set(result.frame["severity_band"]) == {"severe"}
    told, _ = [note for note in result.context.notes if note.key == "note.of_group"]
    assert told.values["note"].values["why"].key == "not_estimable.one_cluster"
    assert told.values["group"][0].values["level"].key == "level.unknown"


def test_a_group_of_one_child_is_not_among_the_curves_compared() -> None:
    bands = pd.Series(["mild", "severe", "mild", "severe", "mild", "unknown"], dtype="string")
    cohort = small()
    cohort = replace(cohort, feet=cohort.feet.assign(severity_band=bands.to_numpy()))
    notes = time_to.curve(cohort, by=("severity_band",)).context.notes
    (test,) = [note for note in notes if note.key == "note.log_rank"]
    assert test.values["groups"] == 2
