"""No small count can be worked out from what is released, whatever the counts are.

The reader is that of ``tests/adversary.py``: an integer program that knows the rounding and every
sum. ``test_disclosure.py`` gives it all tables of whole networks; here are tables of any counts.
"""

from __future__ import annotations

from collections.abc import Sequence

import pandas as pd
import pytest
from adversary import SMALL, Model, compare_runs, recovered
from adversary_reads import PARTS, read_run
from hypothesis import given, settings
from hypothesis import strategies as st
from public_run import Shown
from shown import context, estimates_frame

from analytics.definitions.policies import PUBLIC
from analytics.results import ESTIMATES, FLOW, PROFILE, Result
from analytics.sharing.protect import protect

Verdicts = tuple[int, ...]

#: Units by verdict: yes, no, outside, immature, unknown.
verdicts = st.tuples(*[st.integers(0, 30)] * 5)


def shown(result: Result) -> Shown:
    return Shown(result, protect(result, PUBLIC), {})


def estimates(groups: Sequence[Verdicts], *by: str) -> Shown:
    rows = []
    for i, (yes, no, outside, immature, unknown) in enumerate(groups):
        row = {"n": yes + no + outside + immature + unknown, "denominator": yes + no}
        row |= {"numerator": yes, "outside": outside, "immature": immature, "unknown": unknown}
        rows.append({name: f"g{i}" for name in by} | row)
    return shown(Result(ESTIMATES, estimates_frame(rows), context(n_feet=None), by))


def read(model: Model, groups: Sequence[Verdicts], tag: str) -> None:
    """Give the reader a table split by severity, the whole beside it, and that it is the whole."""
    whole = tuple(sum(column) for column in zip(*groups, strict=True))
    read_run(model, [estimates([whole]), estimates(groups, "severity_band")], tag)
    for column in ("n", "numerator", *PARTS):
        place = (tag, "tenotomy_rate")
        keys = [(*place, "severity_band", f"g{i}", column) for i in range(len(groups))]
        model.tie({(*place, "", "", column): 1} | dict.fromkeys(keys, -1))


@settings(max_examples=80, deadline=None)
@given(st.lists(verdicts, min_size=1, max_size=6))
def test_no_small_count_of_a_split_table_is_given_away(groups: list[Verdicts]) -> None:
    model = Model()
    read(model, groups, "now")
    assert not recovered(model)


@settings(max_examples=40, deadline=None)
@given(st.lists(st.tuples(verdicts, st.tuples(*[st.integers(0, 6)] * 5)), min_size=1, max_size=4))
def test_nor_by_what_has_come_since_the_last_report(
    groups: list[tuple[Verdicts, Verdicts]],
) -> None:
    model = Model()
    read(model, [then for then, _ in groups], "then")
    now = [tuple(a + b for a, b in zip(*pair, strict=True)) for pair in groups]
    read(model, now, "now")
    compare_runs(model, "then", "now")
    assert not recovered(model)


@settings(max_examples=60, deadline=None)
@given(st.integers(0, 40), st.lists(st.integers(0, 12), min_size=4, max_size=4))
def test_no_small_count_of_a_flow_is_given_away(left: int, reasons: list[int]) -> None:
    middle = left + sum(reasons[2:])
    top = middle + sum(reasons[:2])
    lines = [
        ("started", top, middle, "lost", reasons[0]),
        ("started", top, middle, "died", reasons[1]),
        ("corrected", middle, left, "lost", reasons[2]),
        ("corrected", middle, left, "died", reasons[3]),
    ]
    frame = pd.DataFrame(lines, columns=list(FLOW.columns))
    model = Model()
    read_run(model, [shown(Result(FLOW, frame, context("feet", n_feet=None)))], "now")
    assert sum(n in SMALL for n in reasons) <= len(model.withheld)
    assert not recovered(model)


@settings(max_examples=60, deadline=None)
@given(st.lists(st.integers(1, 30), min_size=1, max_size=5), st.integers(0, 12))
def test_no_small_level_of_a_profile_is_given_away(levels: list[int], missing: int) -> None:
    lines = [("sex", f"level{i}", n, missing, 0.5, None, "share") for i, n in enumerate(levels)]
    frame = pd.DataFrame(lines, columns=list(PROFILE.columns))
    n = sum(levels) + missing
    model = Model()
    read_run(model, [shown(Result(PROFILE, frame, context("feet", n_feet=n)))], "now")
    assert not recovered(model)


def test_the_reader_finds_what_a_count_shown_as_it_is_gives_away() -> None:
    model = Model()
    read(model, [(20, 3, 0, 0, 0), (31, 12, 0, 0, 0)], "now")
    assert not recovered(model)
    for key in [
        ("now", "tenotomy_rate", "severity_band", "g0", c) for c in ("denominator", "numerator")
    ]:
        model.ends[key] = (model.truth[key],) * 2
    assert len(recovered(model)) == 1


@pytest.mark.parametrize("column", ["n", "denominator", "numerator"])
def test_what_is_not_small_shows_to_the_nearest_ten(column: str) -> None:
    groups = [(87, 3, 10, 0, 0), (20, 50, 10, 0, 0)]
    frame = estimates(groups, "severity_band").released.frame
    shows = {"n": [100, 80], "denominator": [90, 70], "numerator": [90, 20]}
    assert frame[column].tolist() == shows[column]
