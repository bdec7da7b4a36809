"""What must not change in a course, whatever the visits: order, later cut-offs, time at risk."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from drawn_courses import cohort_from, on, records_of
from hypothesis import given, settings
from hypothesis import strategies as st

from analytics.courses.build import build_cohort, build_visits, follow_feet
from analytics.courses.cohort import shrink_uses
from analytics.courses.spells import build_spells
from analytics.definitions.columns import TABLES
from analytics.definitions.protocol import Protocol
from analytics.intake.texts import coded_frame, plain_frame

PURPOSES = ("assessment", "cast", "cast", "cast", "tenotomy", "brace_fitting", "brace_review",
            "review", "procedure")  # fmt: skip
PROCEDURES = (None, None, "tenotomy", "tendon_transfer", "posteromedial_release")
WORDS, SHARES = np.array(["yes", "no", None], dtype=object), (0.1, 0.3, 0.6)


def maybe(rng: np.random.Generator, n: int) -> np.ndarray:
    """Answers of yes, no and, mostly, nothing."""
    return rng.choice(WORDS, n, p=SHARES)


def any_visits(seed: int, n: int = 300) -> pd.DataFrame:
    """Visits of a few children without any order of care: harder than what clinics send."""
    rng = np.random.default_rng(seed)
    table = pd.DataFrame(
        {
            "child": rng.choice([f"c{i}" for i in range(12)], n),
            "side": rng.choice(["left", "right"], n),
            "clinic": rng.choice(["A", "B"], n),
            "day": np.cumsum(rng.choice([0, 1, 1, 2, 6], n)),
            "purpose": rng.choice(PURPOSES, n),
            "procedure": rng.choice(np.array(PROCEDURES, dtype=object), n),
            "cast_number": rng.integers(1, 9, n),
            "pirani_total": rng.integers(0, 13, n) / 2,
            "abduction_deg": rng.integers(-3, 8, n) * 10,
            "dorsiflexion_deg": rng.integers(-3, 5, n) * 5,
            "brace_use": rng.choice(["as_advised", "partly", "not"], n),
            "corrected_noted": maybe(rng, n),
            "relapse_noted": maybe(rng, n),
        }
    )  # fmt: skip
    for name in ("cast_number", "pirani_total", "abduction_deg", "brace_use"):
        table[name] = table[name].astype("string").mask(rng.random(n) < 0.4)
    table = table.drop_duplicates(["child", "side", "day", "purpose"], ignore_index=True)
    return table.astype("string")


def records(seed: int):
    children = "child birth \n" + "\n".join(f"c{i} {-10 * i}" for i in range(10))
    return records_of(any_visits(seed), children=children)


@settings(max_examples=8, deadline=None)
@given(seed=st.integers(0, 10_000))
def test_the_order_of_rows_changes_nothing(seed):
    given_records = records(seed)
    cohort = build_cohort(given_records, on(400), Protocol())
    visits = build_visits(given_records, on(400), Protocol())
    order = np.random.default_rng(seed).permutation(len(given_records.visits))
    shuffled = given_records.visits.iloc[order]
    others = type(given_records)(**{**vars(given_records), "visits": shuffled})
    again = build_cohort(others, on(400), Protocol())
    pd.testing.assert_frame_equal(cohort.feet, again.feet)
    pd.testing.assert_frame_equal(cohort.uses, again.uses)
    pd.testing.assert_frame_equal(visits, build_visits(others, on(400), Protocol()))


def coded_anyhow(table: pd.DataFrame, rng: np.random.Generator) -> pd.DataFrame:
    """A table with its texts coded, in no order of the texts and with some that no row has."""
    coded = coded_frame(table)
    for name in coded.columns[coded.dtypes == "category"]:
        texts = coded[name].array
        names = rng.permutation(np.append(texts.categories, ["c99", "unused", "A0"]))
        coded[name] = texts.set_categories(names)
    return coded


@settings(max_examples=8, deadline=None)
@given(seed=st.integers(0, 10_000), cut_off=st.integers(0, 700))
def test_feet_are_the_same_whether_texts_are_coded_or_not(seed, cut_off):
    given_records, rng = records(seed), np.random.default_rng(seed)
    cohort = build_cohort(given_records, on(cut_off), Protocol())
    tables = {name: coded_anyhow(getattr(given_records, name), rng) for name in TABLES}
    coded = type(given_records)(**{**vars(given_records), **tables})
    followed = follow_feet(coded, on(cut_off), Protocol())
    pd.testing.assert_frame_equal(plain_frame(followed.feet), cohort.feet)
    pd.testing.assert_frame_equal(shrink_uses(followed.uses), cohort.uses)


@settings(max_examples=6, deadline=None)
@given(seed=st.integers(0, 10_000))
def test_a_later_cut_off_never_takes_back_a_correction_or_a_relapse(seed):
    given_records = records(seed)
    before = None
    for cut_off in range(40, 640, 60):
        feet = build_cohort(given_records, on(cut_off), Protocol()).feet
        feet = feet.set_index(["child", "side"])
        if before is not None:
            known = before.loc[before["corrected_on"].notna()]
            now = feet.loc[known.index]
            for name in ("corrected_on", "correction_rule", "started_on", "tenotomy_on", "n_casts"):
                pd.testing.assert_series_equal(now[name], known[name])
            relapsed = known.loc[known["relapse_on"].notna()]
            assert (feet.loc[relapsed.index, "relapse_on"] == relapsed["relapse_on"]).all()
        before = feet


@settings(max_examples=8, deadline=None)
@given(seed=st.integers(0, 10_000), cut_off=st.integers(0, 700))
def test_one_row_per_foot_and_days_in_their_order(seed, cut_off):
    cohort = build_cohort(records(seed), on(cut_off), Protocol())
    feet = cohort.feet
    assert not feet.duplicated(["child", "side"]).any()
    assert feet[["child", "side"]].equals(
        feet[["child", "side"]].sort_values(["child", "side"], ignore_index=True)
    )
    assert (feet["first_seen_on"] <= feet["last_seen_on"]).all()
    assert (feet["last_seen_on"] <= pd.Timestamp(on(cut_off))).all()
    for earlier, later in (
        ("started_on", "corrected_on"),
        ("corrected_on", "brace_on"),
        ("corrected_on", "relapse_free_on"),
        ("tenotomy_on", "corrected_on"),
        ("last_seen_on", "lost_on"),
    ):
        both = feet[[earlier, later]].dropna()
        assert (both[earlier] <= both[later]).all(), (earlier, later)
    relapsed = feet.loc[feet["relapse_on"].notna()]
    assert relapsed["corrected_on"].notna().all()
    assert (relapsed["relapse_free_on"] < relapsed["relapse_on"]).all()
    assert (relapsed["relapse_on"] == relapsed[["relapse_noted_on", "relapse_treated_on"]].min(axis=1)).all()  # fmt: skip # noqa: E501
    assert (feet["status"].eq("lost") == feet["lost_on"].notna()).all()


@settings(max_examples=8, deadline=None)
@given(seed=st.integers(0, 10_000))
def test_every_cast_belongs_to_one_series_and_the_counts_add_up(seed):
    given_records = records(seed)
    cohort = build_cohort(given_records, on(700), Protocol())
    visits = build_visits(given_records, on(700), Protocol())
    casts = visits.loc[visits["series"].notna()]
    first = casts.loc[casts["series"] == 1]
    n_first = first.groupby(["child", "side"]).size()
    counted = cohort.feet.loc[cohort.feet["n_casts_all"].notna()].set_index(["child", "side"])
    assert counted["n_casts_all"].astype("int64").equals(n_first.rename("n_casts_all"))
    n_before = (~first["is_after_tenotomy"]).groupby([first["child"], first["side"]]).sum()
    assert (counted["n_casts"].astype("int64") == n_before.astype("int64")).all()
    order = casts.groupby(["child", "side", "series"])["cast_order"]
    assert (order.max() == order.size()).all()
    days = visits.loc[visits["purpose"] == "cast", ["child", "side", "visited_on"]]
    assert len(days.drop_duplicates()) <= len(casts)


@settings(max_examples=8, deadline=None)
@given(seed=st.integers(0, 10_000), entry=st.integers(0, 40))
def test_spells_neither_lose_nor_invent_time_or_ends(seed, entry):
    cohort = build_cohort(records(seed), on(700), Protocol())
    feet = cohort.feet.loc[cohort.feet["corrected_on"].notna()]
    last = feet["relapse_on"].fillna(feet["last_seen_on"])
    time = (last - feet["corrected_on"]).dt.days.astype("int64")
    followed = feet.assign(
        entry_days=entry, time_days=time, ended=feet["relapse_on"].notna().astype("int64")
    ).loc[time > entry]
    # The spells check themselves for overlap, gap and jump.
    spells = build_spells(cohort, followed, origin="corrected_on")
    by_foot = spells.groupby("foot")
    length = (spells["stop_days"] - spells["start_days"]).groupby(spells["foot"]).sum()
    assert length.sort_index().tolist() == (time - entry).loc[followed.index].tolist()
    assert by_foot["ended"].sum().tolist() == followed["ended"].tolist()
    assert (by_foot["start_days"].min() == entry).all()


@pytest.mark.parametrize("shift", [1, 1000])
def test_moving_the_whole_calendar_moves_every_day_alike(shift):
    visits = any_visits(7)
    moved = visits.assign(day=(visits["day"].astype(int) + shift).astype("string"))
    first = cohort_from(visits, cut_off=500).feet
    second = cohort_from(moved, cut_off=500 + shift).feet
    dates = [name for name in first.columns if name.endswith("_on")]
    for name in dates:
        back = second[name] - pd.Timedelta(days=shift)
        pd.testing.assert_series_equal(back.astype(first[name].dtype), first[name])
    rest = first.columns.difference([*dates, "quarter"])
    pd.testing.assert_frame_equal(first[rest], second[rest])
