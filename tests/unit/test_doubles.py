"""How alike two children are who may be one, by hand."""

import pandas as pd
import pytest

from analytics.definitions.likeness import MOST
from analytics.intake.doubles import EVIDENCE, count_likeness, tell_doubles
from analytics.intake.ledger import FLAG_COLUMNS

ONE = {"sex": "female", "precision": "day", "feet": "left", "first_on": "2024-01-05",
       "last_on": "2024-03-01"}  # fmt: skip


@pytest.mark.parametrize(
    "other, likeness",
    [
        ({"first_on": "2024-04-01", "last_on": "2024-06-01"}, 10),
        ({"first_on": "2023-10-01", "last_on": "2024-01-05"}, 10),
        ({"first_on": "2024-02-01", "last_on": "2024-06-01"}, 8),
        ({"first_on": "2024-04-01", "last_on": "2024-06-01", "feet": "left+right"}, 9),
        ({"first_on": "2024-04-01", "last_on": "2024-06-01", "precision": "month"}, 8),
        ({"precision": "year", "feet": "right"}, 4),
    ],
)
def test_points_for_what_speaks_for_one_child(other, likeness):
    assert count_likeness(ONE, ONE | other) == likeness
    assert count_likeness(ONE | other, ONE) == likeness


def test_an_unknown_sex_on_both_sides_speaks_for_nothing():
    unknown = ONE | {"sex": ""}
    assert (
        count_likeness(unknown, unknown | {"first_on": "2024-05-01", "last_on": "2024-05-01"}) == 9
    )
    assert MOST == 10


def test_each_of_three_is_told_both_others_and_nobody_else_is_told():
    people = [("a", "1"), ("b", "1"), ("c", "1"), ("d", "2")]
    rows = [ONE | {"child": child, "mark": mark} for child, mark in people]
    frame = pd.DataFrame(rows).reindex(columns=[*FLAG_COLUMNS, *EVIDENCE])
    told = tell_doubles(frame)
    assert told["child"].tolist() == ["a", "b", "c"]
    assert told["found"].iloc[1] == ("same_child_as=a, likeness=8, same_child_as=c, likeness=8")
