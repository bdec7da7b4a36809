"""Shares from cells of parts are those from the feet."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from demo import demo_cohort
from networks_drawn import as_one, draw_rows, write_exports

from analytics.analyses.cells import add_cells, count_cells, count_network, read_cells
from analytics.analyses.indicators import estimates
from analytics.courses.network import settle_network
from analytics.definitions.indicators import INDICATORS
from analytics.intake.engine import Engine

SHARES = tuple(indicator for indicator in INDICATORS.values() if indicator.kind == "share")
NUMBERS = ["denominator", "numerator", "estimate", "lower", "upper", "outside", "immature",
           "unknown"]  # fmt: skip


def assert_as_from_feet(cells: pd.DataFrame, cohort, by) -> None:
    expected = estimates(cohort, SHARES, by=by).frame.set_index(["measure", *by])[NUMBERS]
    found = read_cells(cells).set_index(["measure", *by])[NUMBERS].reindex(expected.index)
    # Sums of squares in another order: equal but for rounding.
    np.testing.assert_allclose(
        found.to_numpy(float), expected.to_numpy(float, na_value=np.nan), rtol=1e-9
    )


@pytest.mark.parametrize("by", [("clinic",), ("clinic", "quarter")])
def test_cells_of_two_halves_of_the_demo_add_up_to_its_estimates(by):
    cohort = demo_cohort()
    is_first = pd.factorize(cohort.feet["child"])[0] % 2 == 0
    halves = [
        count_cells(replace(cohort, feet=cohort.feet[chosen].reset_index(drop=True)), SHARES, by=by)
        for chosen in (is_first, ~is_first)
    ]
    assert_as_from_feet(add_cells(halves, by), cohort, by)


def test_cells_of_a_network_in_parts_are_those_of_its_cohort(tmp_path):
    exports = write_exports(tmp_path, draw_rows(3, 9))
    engine = Engine("serial", part_bytes=1)
    with settle_network(exports, engine) as network:
        cells = count_network(network, engine, SHARES, by=("clinic",))
    assert_as_from_feet(cells, as_one(exports)[1], ("clinic",))
