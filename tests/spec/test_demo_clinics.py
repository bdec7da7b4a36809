"""Clinics of the demo: the two that differ are found, the small one is not, and no other."""

from __future__ import annotations

import pandas as pd
import pytest
from demo import demo_cohort, truth
from drawn import cohort_of

from analytics.analyses import clinics
from analytics.definitions.indicators import COMPARED, INDICATORS

CLINICS = truth()["clinics"]


def flags(result) -> pd.Series:
    return result.frame.set_index("unit")["flag"]


def test_the_clinic_with_too_many_casts_is_found_and_no_other() -> None:
    found = flags(clinics.casts(demo_cohort()))
    assert found[CLINICS["more_casts"]] == "higher"
    assert set(found.drop(CLINICS["more_casts"])) <= {"as_expected", "too_few"}


def test_the_clinic_with_many_lost_is_found_and_no_other() -> None:
    found = flags(clinics.comparison(demo_cohort(), INDICATORS["dropped_out"]))
    assert found[CLINICS["many_lost"]] == "higher"
    assert set(found.drop(CLINICS["many_lost"])) <= {"as_expected", "too_few"}


def test_no_other_clinic_is_called_different_under_any_measure() -> None:
    cohort = demo_cohort()
    different = {
        code: set(found.index[found.isin(["higher", "lower"])])
        for code, found in {
            "casts": flags(clinics.casts(cohort)),
            **{i.code: flags(clinics.comparison(cohort, i)) for i in COMPARED},
        }.items()
    }
    more_casts, many_lost = CLINICS["more_casts"], CLINICS["many_lost"]
    # Children lost in casting are not corrected: the same clinic, seen from another side.
    assert different == {
        "casts": {more_casts},
        "initial_correction": {many_lost},
        "tenotomy_rate": set(),
        "lost_first_year": {many_lost},
    }


@pytest.mark.parametrize(
    "code", ["dropped_out", "lost_first_year", "initial_correction", "tenotomy_rate"]
)
def test_the_small_clinic_with_an_extreme_crude_rate_is_too_few_to_say(code: str) -> None:
    result = clinics.comparison(demo_cohort(), INDICATORS[code])
    assert flags(result)[CLINICS["very_small"]] == "too_few"
    # Drawn towards the network by how little is known of it.
    row = result.frame.set_index("unit").loc[CLINICS["very_small"]]
    whole = result.frame["numerator"].sum() / result.frame["denominator"].sum()
    assert abs(row["shrunken"] - whole) < abs(row["estimate"] - whole)


def test_tenotomy_differs_nowhere() -> None:
    found = flags(clinics.comparison(demo_cohort(), INDICATORS["tenotomy_rate"]))
    assert set(found) <= {"as_expected", "too_few"}


def test_expected_adds_up_to_the_network_without_outliers() -> None:
    frame = clinics.comparison(demo_cohort(), INDICATORS["tenotomy_rate"]).frame
    assert frame["expected"].sum() == pytest.approx(frame["numerator"].sum(), rel=1e-9)


@pytest.mark.parametrize("answer", ["yes", "no"])
def test_one_clinic_or_no_contrast_is_a_named_answer(answer: str) -> None:
    feet = "child started_on is_corrected\n" + "\n".join(
        f"c{i} 2024-01-01 {answer}" for i in range(12)
    )
    result = clinics.comparison(cohort_of(feet), INDICATORS["initial_correction"])
    assert result.frame["estimate"].isna().all()
    assert result.context.notes[-1].key == "note.not_estimable"
