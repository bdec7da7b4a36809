"""How alike two children are who may be one, by hand."""

import re
from datetime import date, timedelta

import numpy as np
import pandas as pd
import pytest
from intake_tables import child_rows, load_rows

from analytics.definitions.likeness import MOST
from analytics.intake.doubles import EVIDENCE, MOST_ALIKE, count_likeness, tell_doubles
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


def test_of_very_many_alike_each_is_told_the_nearest_and_how_many():
    n = 5_000
    days = [str(date(2000, 1, 1) + timedelta(days=i)) for i in range(n)]
    rows = [ONE | {"child": f"c{i:04d}", "mark": "1", "first_on": day, "last_on": day}
            for i, day in enumerate(days)]  # fmt: skip
    frame = pd.DataFrame(rows).reindex(columns=[*FLAG_COLUMNS, *EVIDENCE])
    told = tell_doubles(frame.sample(frac=1, random_state=np.random.default_rng(3)))
    found = told.set_index("child")["found"]
    assert found.str.count("same_child_as=").max() == MOST_ALIKE
    assert found.str.endswith(f"n_alike={n - 1}").all()
    others = [f"c{i:04d}" for i in range(90, 111) if i != 100]
    assert found["c0100"].startswith(f"same_child_as={others[0]}, likeness=10")
    assert set(re.findall(r"same_child_as=(\w+)", found["c0100"])) == set(others)


def test_up_to_the_limit_each_is_told_all_others():
    rows = [ONE | {"child": f"c{i:02d}", "mark": "1"} for i in range(MOST_ALIKE)]
    told = tell_doubles(pd.DataFrame(rows).reindex(columns=[*FLAG_COLUMNS, *EVIDENCE]))
    assert (told["found"].str.count("same_child_as=") == MOST_ALIKE - 1).all()
    assert not told["found"].str.contains("n_alike").any()


def test_pairs_are_found_among_the_children_of_an_export(tmp_path):
    alike, other_day = date(2024, 1, 1), date(2024, 1, 3)
    rows = child_rows("1", "Ama Owusu", born=alike)
    rows += [r for r in child_rows("2", "ama  owusu", born=alike) if r["side"] == "left"]
    rows += child_rows("3", "Ama Owusu", born=other_day)
    rows += child_rows("4", "", born=alike) + child_rows("5", "", born=alike)
    rows += [r | {"birth_on": ""} for r in child_rows("6", "Bo Lind", born=alike)]
    rows += [r | {"birth_on": ""} for r in child_rows("7", "Bo Lind", born=alike)]
    late = [r for r in child_rows("8", "Cy Roe", born=alike) if r["side"] == "right"]
    early = [r for r in late if r["visited_on"] < "2024-01-20"]
    rows += early + [r | {"number": "9"} for r in late if r["visited_on"] >= "2024-01-20"]
    flags = load_rows(tmp_path, rows).ledger.flags
    told = flags[flags["rule"] == "R04"].sort_values("line")
    assert told["found"].str.extract(r"likeness=(\d+)$")[0].tolist() == ["7", "7", "10", "10"]
    assert told["severity"].eq("soft").all()
    assert told["child"].nunique() == 4
    assert told["found"].str.contains("same_child_as=").all()
