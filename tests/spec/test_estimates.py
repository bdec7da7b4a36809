"""Indicators counted by group: numerators, denominators, intervals, and what adds up."""

from __future__ import annotations

import pandas as pd
import pytest
from drawn import cohort_of, drawn

from analytics.analyses.indicators import estimates
from analytics.definitions.indicators import HEADLINE, INDICATORS
from analytics.stats.proportions import wilson

FEET = """
    child side  clinic quarter started_on is_corrected n_casts prior_treatment has_tenotomy
    a     left  A      2025Q1  2025-01-10 yes          4       none            yes
    a     right A      2025Q1  2025-01-10 yes          6       none            yes
    b     left  A      2025Q1  2025-02-10 no           9       none            .
    c     left  B      2025Q1  2025-03-10 yes          5       none            no
    d     left  B      2025Q4  2025-12-10 yes          7       casts           yes
    e     left  B      2025Q1  2025-01-15 .            .       none            .
    """


def test_shares_by_clinic_show_every_verdict() -> None:
    result = estimates(cohort_of(FEET), [INDICATORS["initial_correction"]], by=["clinic"])
    found = result.frame[["clinic", "n", "denominator", "numerator", "immature", "unknown"]]
    wanted = drawn(
        """
        clinic n denominator numerator immature unknown
        A      3 3           2         0        0
        B      3 1           1         1        1
        """
    )
    pd.testing.assert_frame_equal(found.astype("string"), wanted, check_dtype=False)


def test_one_foot_a_child_gives_wilson() -> None:
    feet = drawn(FEET).loc[lambda t: t["side"] == "left"]
    row = estimates(cohort_of(feet), [INDICATORS["initial_correction"]]).frame.iloc[0]
    plain = wilson(row["numerator"], row["denominator"])
    assert (row["numerator"], row["denominator"]) == (2, 3)
    assert row["lower"] == pytest.approx(float(plain.lower), abs=1e-12)
    assert row["upper"] == pytest.approx(float(plain.upper), abs=1e-12)


def test_casts_are_quantiles_of_corrected_feet_without_prior_treatment() -> None:
    frame = estimates(cohort_of(FEET), [INDICATORS["casts_to_correction"]]).frame
    at = frame.set_index("measure")["estimate"]
    assert at["casts_to_correction.median"] == 5  # of 4, 5, 6
    assert at["casts_to_correction.p90"] == 6
    assert frame["denominator"].eq(3).all()


@pytest.mark.parametrize("by", [(), ("clinic",), ("quarter",), ("clinic", "quarter")])
def test_verdicts_add_up_and_groups_sum_back(by: tuple[str, ...]) -> None:
    cohort = cohort_of(FEET)
    counts = ["n", "denominator", "outside", "immature", "unknown"]
    frame = estimates(cohort, HEADLINE, by=by).frame
    parts = frame[["denominator", "outside", "immature", "unknown"]].sum(axis=1)
    assert parts.eq(frame["n"]).all()
    whole = estimates(cohort, HEADLINE).frame.groupby("measure")[counts].sum()
    pd.testing.assert_frame_equal(frame.groupby("measure")[counts].sum(), whole)


def test_no_feet_at_all_is_an_answer() -> None:
    nobody = drawn(FEET).iloc[:0]
    frame = estimates(cohort_of(nobody), HEADLINE).frame
    assert frame["n"].eq(0).all()
    assert frame["estimate"].isna().all()
    assert estimates(cohort_of(nobody), HEADLINE, by=["clinic"]).frame.empty


def test_nothing_asked_is_an_answer() -> None:
    assert estimates(cohort_of(FEET), []).frame.empty
    assert estimates(cohort_of(FEET), [], by=["clinic"]).frame.empty
