"""No withheld count can be worked out from what is released: tried by an exhaustive reader."""

from __future__ import annotations

import pandas as pd
import pytest
from attack import Sum, possible, shares_by_group
from hypothesis import given, settings
from hypothesis import strategies as st
from shown import context, estimates_frame

from analytics.definitions.policies import PUBLIC
from analytics.results import ESTIMATES, FLOW, PROFILE, TREND, Result
from analytics.sharing.protect import Released, protect

SMALL = range(1, PUBLIC.smallest_count)


@st.composite
def group_rows(draw: st.DrawFn, most: int) -> list[tuple[int, int, int]]:
    """Rows of (n, denominator, numerator), each a part of the one before."""
    rows = []
    for _ in range(draw(st.integers(1, 3))):
        n = draw(st.integers(0, most))
        denominator = draw(st.integers(0, n))
        rows.append((n, denominator, draw(st.integers(0, denominator))))
    return rows


def known_totals(rows: list[tuple[int, int, int]]) -> dict[str, int | None]:
    """What the same table without groups shows; there, too, small counts are withheld."""
    n, below, above = (sum(column) for column in zip(*rows, strict=True))
    hides_yes = above in SMALL or below - above in SMALL
    return {
        "n": None if n in SMALL else n,
        "denominator": None if below in SMALL else below,
        "numerator": None if hides_yes else above,
    }


def release(rows: list[tuple[int, int, int]]) -> Released:
    frame = estimates_frame(
        [
            {"severity_band": f"g{i}", "n": n, "denominator": d, "numerator": k, "outside": n - d}
            for i, (n, d, k) in enumerate(rows)
        ]
    )
    return protect(Result(ESTIMATES, frame, context(), ("severity_band",)), PUBLIC)


@settings(max_examples=120, deadline=None)
@given(group_rows(9))
def test_no_small_count_of_a_split_table_is_given_away(rows: list[tuple[int, int, int]]) -> None:
    released = release(rows)
    may_be = shares_by_group(released.frame, known_totals(rows))
    for i, (n, d, k) in enumerate(rows):
        true = {"n": n, "denominator": d, "numerator": k, "no": d - k}
        for name, value in true.items():
            assert value in may_be[f"{name}{i}"]
            if value in SMALL:
                assert len(may_be[f"{name}{i}"]) > 1, (name, i, rows)


@settings(max_examples=80, deadline=None)
@given(st.lists(st.integers(0, 7), min_size=5, max_size=5))
def test_no_small_count_of_the_five_verdicts_is_given_away(parts: list[int]) -> None:
    yes, no, *rest = parts
    n = sum(parts)
    row = {"n": n, "denominator": yes + no, "numerator": yes}
    row |= dict(zip(("outside", "immature", "unknown"), rest, strict=True))
    released = protect(Result(ESTIMATES, estimates_frame([row]), context(n_feet=n)), PUBLIC)
    shown = released.frame.iloc[0]
    names = ["n", "denominator", "numerator", "outside", "immature", "unknown", "no"]
    sums = [
        Sum("denominator", ("numerator", "no")),
        Sum("n", ("denominator", "outside", "immature", "unknown")),
        *(Sum(c, (int(shown[c]),)) for c in names[:-1] if not pd.isna(shown[c])),
    ]
    if released.context.n_feet is not None:
        sums.append(Sum("n", (released.context.n_feet,)))
    may_be = possible(names, sums, most=n + 2)
    for name, value in (row | {"no": no}).items():
        assert value in may_be[name]
        if value in SMALL:
            assert len(may_be[name]) > 1, (name, parts)


@settings(max_examples=80, deadline=None)
@given(st.integers(0, 8), st.lists(st.integers(0, 6), min_size=4, max_size=4))
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
    shown = protect(Result(FLOW, frame, context("feet", n_feet=None)), PUBLIC).frame
    if shown["step"].nunique() == 1:
        # Steps that few left are one: their reasons are added.
        lines = [
            ("corrected", top, left, name, sum(n for *_, reason, n in lines if reason == name))
            for name in ("lost", "died")
        ]
    true, sums = {}, []
    for step in dict.fromkeys(step for step, *_ in lines):
        mine = [line for line in lines if line[0] == step]
        true |= {f"{step}_in": mine[0][1], f"{step}_out": mine[0][2]}
        true |= {f"{step}_{reason}": n for *_, reason, n in mine}
        names = tuple(f"{step}_{reason}" for *_, reason, _ in mine)
        sums.append(Sum(f"{step}_in", (f"{step}_out", *names)))
    if "started_out" in true:
        sums.append(Sum("started_out", ("corrected_in",)))
    for row in shown.itertuples():
        printed = {"in": row.n_in, "out": row.n_out, row.reason: row.n_reason}
        sums += [Sum(f"{row.step}_{c}", (int(n),)) for c, n in printed.items() if not pd.isna(n)]
    may_be = possible(list(true), sums, most=top + 2)
    for name, value in true.items():
        assert value in may_be[name]
        if value in SMALL:
            assert len(may_be[name]) > 1, (name, true)


@settings(max_examples=80, deadline=None)
@given(group_rows(12))
def test_no_small_count_of_a_trend_is_given_away(rows: list[tuple[int, int, int]]) -> None:
    frame = pd.DataFrame(
        [(f"2024Q{i + 1}", k, d, 0.5, 0.5, 0.2, 0.8, "none") for i, (_, d, k) in enumerate(rows)],
        columns=list(TREND.columns),
    )
    shown = protect(Result(TREND, frame, context("tenotomy_rate")), PUBLIC).frame
    totals = known_totals([(d, d, k) for _, d, k in rows])
    may_be = shares_by_group(shown.assign(n=shown["denominator"]), totals)
    for i, (_, d, k) in enumerate(rows):
        for name, value in {"denominator": d, "numerator": k, "no": d - k}.items():
            if value in SMALL:
                assert len(may_be[f"{name}{i}"]) > 1, (name, i, rows)


@settings(max_examples=80, deadline=None)
@given(st.lists(st.integers(0, 9), min_size=2, max_size=4), st.integers(0, 6))
def test_no_small_level_of_a_profile_is_given_away(levels: list[int], missing: int) -> None:
    frame = pd.DataFrame(
        [("sex", f"level{i}", n, missing, None, None, "count") for i, n in enumerate(levels)],
        columns=list(PROFILE.columns),
    )
    shown = protect(Result(PROFILE, frame, context("feet")), PUBLIC).frame
    names = [f"n{i}" for i in range(len(levels))] + ["missing"]
    values = dict(zip(names, [*levels, missing], strict=True))
    whole = sum(values.values())
    sums = [Sum(whole, tuple(names))] if whole not in SMALL else []
    sums += [Sum(f"n{i}", (int(n),)) for i, n in enumerate(shown["n"]) if not pd.isna(n)]
    if not pd.isna(shown["missing"].iloc[0]):
        sums.append(Sum("missing", (int(shown["missing"].iloc[0]),)))
    may_be = possible(names, sums, most=max(whole, 5))
    for name, value in values.items():
        if value in SMALL:
            assert len(may_be[name]) > 1, (name, levels, missing)


@pytest.mark.parametrize("rows", [[(100, 90, 3), (80, 70, 20), (60, 60, 58)]])
def test_what_is_not_small_nor_beside_it_still_shows(rows: list[tuple[int, int, int]]) -> None:
    shown = release(rows).frame
    assert shown["n"].tolist() == [100, 80, 60]
    assert shown["denominator"].tolist() == [90, 70, 60]
    assert shown["numerator"].isna().tolist() == [True, False, True]
