"""Coverage of births expected with clubfoot, and what is unknown about it."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from drawn import cohort_of, drawn, typed

from analytics.analyses.coverage import estimates
from analytics.courses.cohort import Cohort
from analytics.definitions.burden import BIRTH_PREVALENCE, Published, build_burden
from analytics.definitions.columns import CLINICS
from analytics.errors import SettingsError
from analytics.stats.combine import between, divide, exactly
from analytics.stats.rates import poisson_rate

CLINIC_TABLE = """
    clinic country opened_on  annual_live_births
    A      XV      2020-01-01 100000
    B      XV      2025-07-02 50000
    C      XW      2020-01-01 .
    """

FEET = """
    child side  clinic country started_on age_start_days
    a     left  A      XV      2025-06-01 20
    a     right A      XV      2025-06-01 20
    b     left  A      XV      2025-01-02 364
    c     left  A      XV      2025-06-01 365
    d     left  A      XV      2025-06-01 .
    e     left  A      XV      2025-01-01 20
    f     left  A      XV      .          20
    g     left  B      XV      2025-08-01 20
    h     left  C      XW      2025-08-01 20
    """


def cohort(feet: str | pd.DataFrame = FEET, clinics: str = CLINIC_TABLE) -> Cohort:
    return replace(cohort_of(feet), clinics=typed(drawn(clinics), CLINICS))


def coverage(*by: str, **given: object) -> pd.DataFrame:
    frame = estimates(cohort(**given), by=by).frame
    return frame.loc[frame["measure"].eq("coverage")].set_index(list(by) or "measure")


def test_children_under_one_begun_in_the_year_over_births() -> None:
    found = coverage("clinic")
    counts = ["n", "numerator", "denominator", "outside", "unknown"]
    # B was open for 183 of the 365 days.
    assert found.loc["A", counts].tolist() == [4, 2, 100000, 1, 1]
    assert found.loc["B", counts].tolist() == [1, 1, round(50000 * 183 / 365), 0, 0]
    assert found.loc["A", "estimate"] == pytest.approx(2 / (100 * BIRTH_PREVALENCE.value))


def test_births_not_stated_are_unknown_never_nothing() -> None:
    found = coverage("clinic").loc["C"]
    assert found[["numerator", "unknown"]].tolist() == [0, 1]
    assert found[["denominator", "estimate", "lower", "upper"]].isna().all()


def test_groups_of_clinics_and_the_network_add_up() -> None:
    by_clinic, by_country, whole = coverage("clinic"), coverage("country"), coverage()
    counts = ["n", "numerator", "outside", "unknown"]
    for frame in (by_country, whole):
        assert frame[counts].sum().tolist() == by_clinic[counts].sum().tolist()
    assert whole["denominator"].iloc[0] == by_clinic["denominator"].sum()


def test_a_clinic_without_children_is_shown_with_none() -> None:
    found = coverage("clinic", feet=drawn(FEET).loc[lambda t: t["clinic"].ne("B")])
    assert found.loc["B", ["n", "numerator"]].tolist() == [0, 0]
    assert found.loc["B", "estimate"] == 0.0 and found.loc["B", "upper"] > 0


def test_no_date_of_birth_at_all_is_an_answer() -> None:
    feet = drawn(FEET).assign(age_start_days=pd.NA)
    assert coverage("clinic", feet=feet).loc["A", ["numerator", "unknown"]].tolist() == [0, 4]


def test_prevalence_is_carried_through() -> None:
    frame = estimates(cohort(), by=["clinic"]).frame.set_index(["measure", "clinic"])
    expected = frame.loc[("expected_children", "A"), ["estimate", "lower", "upper"]]
    # 100 000 births at 1.18 (1.00-1.36) per 1000: Smythe 2023.
    assert expected.tolist() == pytest.approx([118, 100, 136], abs=1e-9)
    wide = Published(1.18, 0.59, 2.36, "per 1000 live births", "invented")
    narrow = estimates(cohort()).frame.iloc[0]
    wider = estimates(cohort(), prevalence=wide).frame.iloc[0]
    assert wider["lower"] < narrow["lower"] < narrow["estimate"] < narrow["upper"] < wider["upper"]


def test_published_coverage_of_poorer_countries() -> None:
    # Owen 2018: over 24 000 children enrolled of about 174 000 births with clubfoot a year, 90% of
    # them in low- and middle-income countries: 15.3%. To one decimal place of the percentage.
    expected = exactly(174_000 * 0.9)
    found = divide(poisson_rate(24_000), expected)
    assert float(found.estimate) * 100 == pytest.approx(15.3, abs=0.05)
    # Smythe 2023: 176 476 births a year at 1.18 per 1000 are 149.6 million live births.
    births = 176_476 / BIRTH_PREVALENCE.value / 1000
    assert births == pytest.approx(149.6, abs=0.05)
    # Their interval is a sum over regions, not one multiplication: ours is the multiplication.
    ours = births * BIRTH_PREVALENCE.lower * 1000
    assert ours == pytest.approx(149_556, abs=1) and ours != pytest.approx(126_126, rel=0.1)


def test_quotients_recover_each_others_interval() -> None:
    number, known = between(4.0, 2.0, 8.0), exactly(2.0)
    alone = divide(number, known)
    ends = [float(v) for v in (alone.estimate, alone.lower, alone.upper)]
    assert ends == pytest.approx([2, 1, 4])
    turned = divide(known, number)
    assert [float(v) for v in (turned.lower, turned.upper)] == pytest.approx([0.25, 1.0])
    both = divide(number, number)
    assert float(both.upper) == pytest.approx(np.exp(np.hypot(np.log(2), np.log(2))))


@pytest.mark.parametrize("given", [[1.18, 1.0], [1.0, 1.1, 1.2], [1.0, 0, 2], "1.18", [True, 1, 1]])
def test_published_numbers_of_a_settings_file_must_be_a_range(given: object) -> None:
    with pytest.raises(SettingsError, match="value, lower, upper"):
        build_burden({"birth_prevalence": given}, where="p.toml, [published]")
    changed = build_burden({"birth_prevalence": [1.31, 0.86, 1.77]}, where="p.toml")
    assert changed.birth_prevalence.value == 1.31
    assert changed.birth_prevalence.source == "set by the programme"
