"""Coverage, bounds, value and a programme's own indicators as figure, table and sentences."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from datetime import date

import matplotlib.pyplot as plt
import pandas as pd
import pytest
from drawn import cohort_of, drawn, typed

from analytics.analyses import bounds, coverage, indicators, value
from analytics.courses.cohort import Cohort
from analytics.definitions.burden import Spending
from analytics.definitions.columns import CLINICS
from analytics.definitions.custom import build_catalogue
from analytics.definitions.indicators import INDICATORS
from analytics.definitions.policies import INTERNAL, POLICIES
from analytics.definitions.protocol import Protocol
from analytics.display.figures import draw
from analytics.display.tables import tabulate
from analytics.display.words import tell
from analytics.results import Result
from analytics.sharing.protect import protect

OWN = {"mine": {"title": "Ours alone", "numerator": "n_casts > 5", "unit": "child"}}


@pytest.fixture(scope="module")
def cohort() -> Cohort:
    line = drawn(
        "child clinic country started_on age_start_days is_corrected corrected_on n_casts\n"
        "x A XV 2025-02-01 30 yes 2025-04-01 6"
    )
    feet = pd.concat([line.assign(child=f"c{i:02d}") for i in range(40)], ignore_index=True)
    feet.loc[20:, "clinic"] = "B"
    feet.loc[::5, ["is_corrected", "corrected_on", "n_casts"]] = ["no", pd.NA, "4"]
    feet.loc[::10, "status"] = "lost"
    clinics = drawn(
        "clinic country opened_on annual_live_births\nA XV 2020-01-01 30000\nB XV . .\n"
    )
    return replace(cohort_of(feet), clinics=typed(clinics, CLINICS))


def _spent() -> list[Spending]:
    return [Spending("2025", date(2025, 1, 1), date(2025, 12, 31), "USD", 9000.0)]


def _own() -> list:
    return [build_catalogue(OWN, Protocol(), where="p.toml").get("mine")]


RESULTS: dict[str, Callable[[Cohort], Result]] = {
    "coverage": lambda c: coverage.estimates(c),
    "coverage by clinic": lambda c: coverage.estimates(c, by=["clinic"]),
    "bounds": lambda c: bounds.bounds(c, list(INDICATORS.values())),
    "bounds by clinic": lambda c: bounds.bounds(c, list(INDICATORS.values()), by=["clinic"]),
    "value": lambda c: value.estimates(c, _spent()),
    "sensitivity": lambda c: value.sensitivity(c, _spent()),
    "own": lambda c: indicators.estimates(c, _own(), question="own"),
    "own by clinic": lambda c: indicators.estimates(c, _own(), question="own", by=["clinic"]),
    "all": lambda c: indicators.estimates(c, list(INDICATORS.values())),
    "records": lambda c: indicators.estimates(
        c, [i for i in INDICATORS.values() if i.area == "records"], question="records"
    ),
}


@pytest.mark.parametrize("audience", POLICIES)
@pytest.mark.parametrize("name", RESULTS)
def test_shown_in_every_medium(name: str, audience: str, cohort: Cohort) -> None:
    result = RESULTS[name](cohort)
    released = protect(result, POLICIES[audience])
    figure = draw(released, "en")
    plt.close(figure)
    assert len(tabulate(released, "en").rows) == len(released.frame)
    assert tell(released, "en")


def test_own_words_stand_on_the_page(cohort: Cohort) -> None:
    released = protect(RESULTS["own"](cohort), INTERNAL)
    assert "Ours alone" in " ".join(tell(released, "en"))
    assert any("Ours alone" in cell.text for row in tabulate(released, "en").rows for cell in row)
