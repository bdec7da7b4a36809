"""Who was treated: levels and those missing add up to all who began."""

from __future__ import annotations

import pandas as pd
import pytest
from drawn import cohort_of, drawn

from analytics.analyses.description import VARIABLES, profile
from analytics.definitions.policies import INTERNAL
from analytics.display.block import Block
from analytics.sharing.protect import protect

FEET = """
    child side  country started_on age_start_days sex    bilateral diagnosis  prior_treatment severity_band pirani_start atypical
    a     left  XV      2025-01-01 42             male   yes       idiopathic none            severe        5.0          no
    a     right XV      2025-02-01 73             male   yes       idiopathic none            mild          2.0          yes
    b     left  XV      2025-01-01 43             female no        syndromic  casts           unknown       .            .
    c     left  XW      2025-01-01 91             .      no        unknown    none            moderate      4.0          no
    d     left  XW      2025-01-01 92             male   no        idiopathic none            moderate      3.0          no
    e     left  XW      2025-01-01 364            male   no        idiopathic .               moderate      3.0          no
    f     left  XW      2025-01-01 365            male   no        idiopathic none            moderate      3.0          no
    g     left  XW      2025-01-01 .              male   no        .          none            moderate      3.0          no
    h     left  XW      .          10             female no        idiopathic none            mild          1.0          no
    """  # noqa: E501

CHILDREN = """
    variable        level      n missing share
    age_band        by_6w      1 1       0.16667
    age_band        by_3m      2 1       0.33333
    age_band        by_12m     2 1       0.33333
    age_band        later      1 1       0.16667
    sex             female     1 1       0.16667
    sex             male       5 1       0.83333
    bilateral       true       1 0       0.14286
    bilateral       false      6 0       0.85714
    diagnosis       idiopathic 4 1       0.66667
    diagnosis       syndromic  1 1       0.16667
    diagnosis       unknown    1 1       0.16667
    prior_treatment none       5 1       0.83333
    prior_treatment casts      1 1       0.16667
    """


def test_children_stand_with_their_first_foot() -> None:
    found = profile(cohort_of(FEET)).frame
    wanted = drawn(CHILDREN)
    assert found["level"].tolist() == wanted["level"].tolist()
    for column in ("n", "missing"):
        assert found[column].tolist() == wanted[column].astype(int).tolist()
    assert found["centre"].tolist() == pytest.approx(
        wanted["share"].astype(float).tolist(), abs=1e-5
    )


@pytest.mark.parametrize("unit", VARIABLES)
def test_levels_and_those_missing_add_up_to_all_who_began(unit: str) -> None:
    result = profile(cohort_of(FEET), unit=unit)
    total = {"child": 7, "foot": 8}[unit]
    sums = result.frame.groupby("variable").agg(n=("n", "sum"), missing=("missing", "first"))
    assert (sums["n"] + sums["missing"]).eq(total).all()
    assert result.context.unit == unit and set(sums.index) == set(VARIABLES[unit])


def test_scores_are_told_by_mean_and_deviation() -> None:
    result = profile(cohort_of(FEET), unit="foot")
    row = result.frame.set_index("variable").loc["pirani_start"]
    # By hand: 5, 2, 4, 3, 3, 3, 3 have the mean 23/7 and the deviation 0.951.
    assert row["centre"] == pytest.approx(23 / 7) and row["spread"] == pytest.approx(
        0.9512, abs=1e-4
    )
    block = Block(protect(result, INTERNAL))
    assert "Initial Pirani score: 3.3 (1.0), mean (standard deviation), of 7." in block.sentences
    assert "<svg" in block.to_html()


def test_groups_are_described_each_by_itself() -> None:
    frame = profile(cohort_of(FEET), by=["country"]).frame
    assert frame.loc[frame["variable"].eq("sex")].groupby("country")["n"].sum().tolist() == [2, 4]
    assert frame.groupby("country")["level"].apply(tuple).nunique() == 1


def test_nobody_has_begun() -> None:
    empty = cohort_of(pd.DataFrame({"child": pd.array(["a"], dtype="string")}))
    assert profile(empty).frame.empty
    assert profile(empty, unit="foot").frame["n"].tolist() == [0]
