"""Where a curve ends, and how coarse a public one is."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from shown import curve_result

from analytics.definitions.policies import INTERNAL, PUBLIC
from analytics.results import CURVE, Result
from analytics.sharing.protect import protect


def test_every_curve_ends_before_fewer_children_than_the_policy_says() -> None:
    # 24 feet of at least 12 children: one foot leaves a day, so 10 children are sure until 19
    # feet are left (a child has at most two).
    result = curve_result({"": [(float(t), t % 2 == 0) for t in range(1, 25)]})
    shown = protect(result, INTERNAL).frame
    assert shown["at_risk"].min() == 19
    assert shown["time"].max() == 6.0


def test_children_beside_the_curve_say_where_it_ends() -> None:
    plain = curve_result({"": [(float(t), False) for t in range(1, 25)]})
    children = pd.DataFrame({"time": np.arange(0.0, 25.0), "children": 24 - np.arange(25)})
    result = Result(CURVE, plain.frame, plain.context, (), {"children_at_risk": children})
    # 24 - t children just before day t: 10 of them until day 14.
    assert protect(result, INTERNAL).frame["time"].max() == 14.0


def test_children_beside_a_split_curve_count_within_their_group() -> None:
    rows = [(float(t), False) for t in range(1, 25)]
    plain = curve_result({"mild": rows, "severe": rows})
    children = pd.DataFrame(
        {"severity_band": ["mild", "mild", "severe"], "time": [3.0, 24.0, 24.0],
         "children": [12, 9, 12]}
    )  # fmt: skip
    result = Result(
        CURVE, plain.frame, plain.context, ("severity_band",), {"children_at_risk": children}
    )
    ends = protect(result, INTERNAL).frame.groupby("severity_band")["time"].max()
    assert ends.to_dict() == {"mild": 3.0, "severe": 24.0}


def test_public_curves_have_no_step_with_a_small_count() -> None:
    generator = np.random.default_rng(5)
    ends = {
        band: [(float(t), bool(e)) for t, e in zip(
            generator.integers(1, 1500, n), generator.random(n) < 0.4, strict=True)]
        for band, n in (("mild", 200), ("moderate", 300), ("severe", 400))
    }  # fmt: skip
    shown = protect(curve_result(ends), PUBLIC).frame
    assert len(shown) > 9
    counts = shown[["at_risk", "events", "censored"]]
    assert (counts % PUBLIC.rounded_to == 0).all(axis=None)
    times = shown.groupby("severity_band")["time"].apply(tuple)
    assert times.nunique() == 1
    months = shown["time"] / 30.4375
    assert np.allclose(months, months.round())


def test_a_public_step_is_as_near_to_the_curve_as_rounding_allows() -> None:
    rows = [(float(t), t % 2 == 0) for t in range(1, 400)]
    plain = curve_result({"": rows})
    shown = protect(plain, PUBLIC).frame
    fine = plain.frame.set_index("time")
    begun = shown[["events", "censored"]].cumsum()
    for step, total in zip(shown.itertuples(), begun.itertuples(), strict=True):
        before = fine.loc[: step.time]
        # 5 of 400 make a step of 2%.
        assert step.estimate == pytest.approx(before["estimate"].iloc[-1], abs=0.01)
        assert abs(total.events - before["events"].sum()) <= 5
        assert abs(total.censored - before["censored"].sum()) <= 5
    still = shown["at_risk"] - shown["events"] - shown["censored"]
    assert still.iloc[:-1].tolist() == shown["at_risk"].iloc[1:].tolist()


def test_a_group_too_small_for_a_public_curve_has_none() -> None:
    rows = [(float(t), t % 3 == 0) for t in range(1, 300)]
    ends = {"mild": rows[:44], "moderate": rows, "severe": rows, "unknown": rows[:8]}
    shown = protect(curve_result(ends), PUBLIC).frame
    assert set(shown["severity_band"]) == {"moderate", "severe"}
