"""Cost and worth of treatment, worked by hand and against published figures."""

from __future__ import annotations

from dataclasses import replace
from datetime import date

import pandas as pd
import pytest
from drawn import cohort_of, drawn

from analytics.analyses.value import estimates, sensitivity
from analytics.definitions.burden import COST_PER_CHILD, DALYS_PER_CHILD, Burden, Spending
from analytics.definitions.policies import INTERNAL
from analytics.display.tables import tabulate
from analytics.display.words import tell
from analytics.errors import NotEstimableError
from analytics.sharing.protect import protect

YEAR = Spending("2023", date(2023, 1, 1), date(2023, 12, 31), "USD", 24_000.0)


def feet() -> pd.DataFrame:
    """Twenty children, one foot each, begun in 2023; 18 corrected; 8 relapsed within two years."""
    line = drawn("child started_on is_corrected corrected_on relapse_on last_seen_on\nx . . . . .")
    table = pd.concat([line.assign(child=f"c{i:02d}") for i in range(20)], ignore_index=True)
    table["started_on"], table["is_corrected"] = "2023-02-01", "no"
    table["last_seen_on"] = "2025-12-01"
    table.loc[:17, ["is_corrected", "corrected_on"]] = ["yes", "2023-04-01"]
    table.loc[:7, "relapse_on"] = "2024-04-01"
    return table


def together(*tables: pd.DataFrame) -> pd.DataFrame:
    records = [record for table in tables for record in table.to_dict("records")]
    return pd.DataFrame(records, dtype="string")


def test_costs_are_spending_over_what_was_counted_in_the_period() -> None:
    more = drawn("child side started_on\nc00 right 2023-12-31\nz left 2024-01-01")
    cohort = cohort_of(pd.concat([feet().assign(side="left"), more], ignore_index=True))
    at = estimates(cohort, [YEAR]).frame.set_index("measure")
    assert at["denominator"].tolist() == [20, 18, 18, 20, 20]
    assert at.loc["cost_per_child", "estimate"] == 1200
    assert at.loc["cost_per_corrected_foot", "estimate"] == pytest.approx(24_000 / 18)
    # 10 of 18 corrected feet are free of relapse at two years.
    assert at.loc["cost_per_lasting_foot", "estimate"] == pytest.approx(2_400)
    assert at.loc["cost_per_lasting_foot", "lower"] < 2_400
    assert (at["numerator"].dropna() == 24_000).all()


def test_health_gained_with_published_parameters() -> None:
    at = estimates(cohort_of(feet()), [YEAR]).frame.set_index("measure")
    # 18 of 20 feet corrected is the 90% that was assumed with the published years.
    assert at.loc["years_gained", "estimate"] == pytest.approx(20 * 7.42)
    assert at.loc["cost_per_year_gained", "estimate"] == pytest.approx(1200 / 7.42)


def test_published_cost_of_a_year() -> None:
    # Grimes 2016: US$167 per child and 7.42 years give US$22.46 per year as printed; the rounded
    # inputs give 22.507, which is 0.2% away, so the tolerance is 0.3%.
    at_their_cost = Spending("2023", date(2023, 1, 1), date(2023, 12, 31), "USD", 167.0 * 20)
    at = estimates(cohort_of(feet()), [at_their_cost]).frame.set_index("measure")
    assert at.loc["cost_per_year_gained", "estimate"] == pytest.approx(22.507, abs=5e-4)
    assert at.loc["cost_per_year_gained", "estimate"] == pytest.approx(22.46, rel=3e-3)
    assert COST_PER_CHILD.value / DALYS_PER_CHILD.value == pytest.approx(22.507, abs=5e-4)


def test_each_number_goes_to_the_ends_of_its_range_alone() -> None:
    result = sensitivity(cohort_of(feet()), [YEAR])
    frame = result.frame.set_index("parameter")
    base = 1200 / 7.42
    assert frame["estimate"].tolist() == pytest.approx([base] * 3)
    ends = frame.loc["spending", ["lower", "upper"]].tolist()
    assert ends == pytest.approx([0.9 * base, 1.1 * base])
    ends = frame.loc["dalys_per_child", ["lower", "upper"]].tolist()
    assert ends == pytest.approx([1200 / 8.90, 1200 / 5.94])
    assert frame.loc["success", "lower"] < base < frame.loc["success", "upper"]


def test_parameters_can_be_replaced() -> None:
    burden = Burden(dalys_per_child=replace(DALYS_PER_CHILD, value=3.71, lower=3.0, upper=4.0))
    at = estimates(cohort_of(feet()), [YEAR], burden=burden).frame.set_index("measure")
    assert at.loc["years_gained", "estimate"] == pytest.approx(10 * 7.42)


def test_without_spending_there_is_no_value() -> None:
    with pytest.raises(NotEstimableError, match="no_spending"):
        estimates(cohort_of(feet()), [])


def test_a_period_in_which_nobody_began_has_no_cost() -> None:
    empty = Spending("2020", date(2020, 1, 1), date(2020, 12, 31), "USD", 10.0)
    at = estimates(cohort_of(feet()), [empty]).frame
    assert at["estimate"].isna().all() and at["denominator"].eq(0).all()


def test_worth_rests_on_the_children_of_the_period_and_not_on_feet_or_on_others() -> None:
    # One foot of c00 never corrected, and later children who all did badly.
    second = drawn("child side started_on is_corrected\nc00 right 2023-02-01 no")
    later = feet().assign(child=lambda t: "z" + t["child"].str[1:])
    later = later.assign(started_on="2024-02-01", is_corrected="no", corrected_on=pd.NA)
    cohort = cohort_of(together(feet().assign(side="left"), second, later.assign(side="left")))
    result = estimates(cohort, [YEAR])
    at = result.frame.set_index("measure")
    # 17 of 20 children have every affected foot corrected.
    assert at.loc["years_gained", "estimate"] == pytest.approx(20 * 7.42 * (17 / 20) / 0.9)
    note = next(n for n in result.context.notes if n.key == "note.value_success")
    assert note.values == {"period": "2023", "n_counted": 20, "share": 85}


def test_a_period_too_recent_borrows_from_the_whole_programme_and_says_so() -> None:
    recent = feet().assign(child=lambda t: "r" + t["child"].str[1:], started_on="2025-11-01")
    recent["corrected_on"] = recent["corrected_on"].where(
        recent["corrected_on"].isna(), "2025-11-20"
    )
    cohort = cohort_of(together(feet(), recent))
    late = Spending("2025", date(2025, 1, 1), date(2025, 12, 31), "USD", 24_000.0)
    result = estimates(cohort, [late])
    keys = [note.key for note in result.context.notes]
    assert keys[:2] == ["note.value_success_whole", "note.value_lasting_whole"]
    at = result.frame.set_index("measure")
    assert at.loc["years_gained", "estimate"] == pytest.approx(20 * 7.42)


def test_no_range_of_an_assumption_is_headed_as_an_interval_of_chance() -> None:
    for result in (estimates(cohort_of(feet()), [YEAR]), sensitivity(cohort_of(feet()), [YEAR])):
        table = tabulate(protect(result, INTERNAL))
        assert not any("95%" in column for column in table.header)
    told = tabulate(protect(estimates(cohort_of(feet()), [YEAR]), INTERNAL)).to_text()
    assert "1,200" in told and "148 (" in told and "148." not in told


def test_each_figure_is_told_with_its_range() -> None:
    told = " ".join(tell(protect(estimates(cohort_of(feet()), [YEAR]), INTERNAL), "en"))
    assert "Cost per child begun, 2023 \N{MIDDLE DOT} USD: 1,200." in told
    assert "Healthy years gained, 2023 \N{MIDDLE DOT} USD: 148 (" in told
    moved = " ".join(tell(protect(sensitivity(cohort_of(feet()), [YEAR]), INTERNAL), "en"))
    assert "spending: 162 (146 to 178)" in moved
