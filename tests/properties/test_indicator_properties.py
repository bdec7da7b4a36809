"""What holds of every indicator for any cohort: verdicts add up, groups sum back, time passes."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, timedelta

import numpy as np
import pandas as pd
from drawn import cohort_of
from hypothesis import Phase, given, settings
from hypothesis import strategies as st

from analytics.analyses.bounds import bounds
from analytics.analyses.consistency import check_result
from analytics.analyses.indicators import estimates
from analytics.analyses.verdicts import VERDICTS, find_verdicts, first_feet
from analytics.courses.cohort import Cohort
from analytics.definitions import foot_facts
from analytics.definitions.foot_facts import FOOT
from analytics.definitions.indicators import INDICATORS

CATALOGUE = list(INDICATORS.values())
COUNTS = ["n", "denominator", "numerator", "outside", "immature", "unknown"]
WORDS = {
    "status": foot_facts.STATUSES,
    "phase": foot_facts.PHASES,
    "severity_band": foot_facts.SEVERITY_BANDS,
    "clinic": ("A", "B", "C"),
    "quarter": ("2024Q1", "2024Q2"),
    "country": ("XV", "XW"),
}
CUT_OFF = date(2026, 1, 1)

#: A seed says all about a case, so there is nothing to shrink.
QUICK = settings(max_examples=6, deadline=None, phases=(Phase.explicit, Phase.generate))


def any_feet(seed: int, n_children: int, missing: float) -> pd.DataFrame:
    """Feet with any value in any column, however odd together; each may be missing."""
    draw = np.random.default_rng(seed)
    sides = [("left",), ("right",), ("left", "right")]
    keys = [(f"c{i}", side) for i in range(n_children) for side in sides[draw.integers(3)]]
    frame = pd.DataFrame(keys, columns=["child", "side"], dtype="string")
    for column in FOOT[2:]:
        values = any_values(draw, column, len(frame))
        gone = draw.random(len(frame)) < (0 if column.name == "clinic" else missing)
        frame[column.name] = pd.array(np.where(gone, None, values), dtype="string")
    return frame


def any_values(draw: np.random.Generator, column: foot_facts.Column, n: int) -> np.ndarray:
    words = WORDS.get(column.name) or column.allowed
    if words:
        return draw.choice(np.array(words, dtype=object), n)
    if column.kind == "flag":
        return draw.choice(np.array(["yes", "no"], dtype=object), n)
    if column.kind == "date":
        days = draw.integers(-2500, 30, n)
        return np.array([(CUT_OFF + timedelta(int(d))).isoformat() for d in days], dtype=object)
    return draw.integers(0, 400 if column.unit == "days" else 12, n).astype(str).astype(object)


cohorts = st.builds(
    lambda seed, n, missing: cohort_of(any_feet(seed, n, missing), cut_off=CUT_OFF.isoformat()),
    st.integers(0, 10**6),
    st.integers(0, 25),
    st.sampled_from([0.0, 0.3, 1.0]),
)


@QUICK
@given(cohorts)
def test_verdicts_and_counts_add_up(cohort: Cohort) -> None:
    for indicator in CATALOGUE:
        verdict = find_verdicts(cohort, indicator)
        units = first_feet(cohort.feet) if indicator.unit == "child" else cohort.feet
        assert verdict.index.equals(units.index)
        assert verdict.isin(VERDICTS).all()
    result = estimates(cohort, CATALOGUE)
    assert check_result(result) == []
    assert check_result(bounds(cohort, CATALOGUE)) == []


@QUICK
@given(cohorts, st.sampled_from([("clinic",), ("quarter",), ("clinic", "quarter")]))
def test_groups_sum_back_to_the_whole(cohort: Cohort, by: tuple[str, ...]) -> None:
    # A foot without a quarter is in no group, so the whole is of those that are in one.
    first = first_feet(cohort.feet).set_index("child")[["quarter"]]
    of_child = cohort.feet["child"].map(first["quarter"])
    grouped = cohort.feet.loc[cohort.feet[list(by)].notna().all(axis=1) & of_child.notna()]
    whole = replace(cohort, feet=grouped.reset_index(drop=True))
    for made in (estimates, bounds):
        parts = made(whole, CATALOGUE, by=by).frame.groupby("measure")[COUNTS].sum()
        total = made(whole, CATALOGUE).frame.groupby("measure")[COUNTS].sum()
        pd.testing.assert_frame_equal(parts, total.loc[parts.index])


@QUICK
@given(cohorts, st.integers(1, 900))
def test_a_later_cut_off_never_makes_a_mature_unit_immature(cohort: Cohort, days: int) -> None:
    later = replace(cohort, cut_off=cohort.cut_off + timedelta(days))
    for indicator in CATALOGUE:
        if indicator.unit == "child" and indicator.kind == "share":
            # Of a child with two feet the younger may wait: judge each foot.
            indicator = replace(indicator, unit="foot")
        was, now = find_verdicts(cohort, indicator), find_verdicts(later, indicator)
        ripened = was.eq("immature") & now.ne("immature")
        assert not (now.eq("immature") & was.ne("immature")).any()
        assert was.mask(ripened).equals(now.mask(ripened))


@QUICK
@given(cohorts, st.integers(0, 10**6))
def test_the_order_of_feet_changes_nothing(cohort: Cohort, seed: int) -> None:
    mixed = cohort.feet.sample(frac=1, random_state=seed).reset_index(drop=True)
    one, other = (
        estimates(replace(cohort, feet=feet), CATALOGUE, by=["clinic"]).frame
        for feet in (cohort.feet, mixed)
    )
    pd.testing.assert_frame_equal(one, other, rtol=1e-9, atol=1e-12)


@QUICK
@given(cohorts)
def test_bounds_contain_what_was_seen(cohort: Cohort) -> None:
    frame = bounds(cohort, CATALOGUE).frame
    lines = frame["measure"].str.rsplit(".", n=1, expand=True)
    at = frame.assign(code=lines[0], line=lines[1]).pivot(
        index="code", columns="line", values="estimate"
    )
    known = at.dropna()
    assert (known["lowest"] <= known["seen"] + 1e-12).all()
    assert (known["seen"] <= known["highest"] + 1e-12).all()
