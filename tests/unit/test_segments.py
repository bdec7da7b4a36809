"""Firsts, lasts and counts of segments are those that pandas finds by groups."""

import numpy as np
import pandas as pd
import pytest

from analytics.courses.segments import (
    NEVER,
    Segments,
    as_dates,
    as_days,
    days_between,
    ends,
    first_day,
    first_index,
    is_any,
    last_day,
    last_index,
    latest_index,
    n_true,
)

#: Segment 2 has no row: a foot may have no cast.
OF = np.array([0, 0, 0, 1, 3, 3, 4, 4, 4, 4])
SEGMENTS = Segments(OF, 5)
DAY = np.array([3, 5, 9, 4, 1, 8, 2, 3, 6, 7])


def by_group(values: np.ndarray, how: str, missing: int) -> list[int]:
    found = pd.Series(values).groupby(OF).agg(how)
    return found.reindex(range(5)).fillna(missing).astype(int).tolist()


@pytest.mark.parametrize("share", [0.0, 0.3, 0.7, 1.0])
def test_what_holds_somewhere_is_found_as_by_groups(share: float) -> None:
    where = np.random.default_rng(4).random(len(OF)) < share
    day = np.where(where, DAY, np.nan)
    row = np.where(where, np.arange(len(OF)), np.nan)
    assert first_day(DAY, where, SEGMENTS).tolist() == by_group(day, "min", NEVER)
    assert last_day(DAY, where, SEGMENTS).tolist() == by_group(day, "max", -NEVER)
    assert first_index(where, SEGMENTS).tolist() == by_group(row, "min", -1)
    assert last_index(where, SEGMENTS).tolist() == by_group(row, "max", -1)
    assert n_true(where, SEGMENTS).tolist() == by_group(where, "sum", 0)
    assert is_any(where, SEGMENTS).astype(int).tolist() == by_group(where, "max", 0)
    up_to = pd.Series(row).groupby(OF).ffill().fillna(-1).astype(int)
    at = np.array([0, 2, 3, 5, 6, 9])
    assert latest_index(where, SEGMENTS, at).tolist() == up_to[at].tolist()


def test_a_segment_ends_where_the_key_changes() -> None:
    assert np.flatnonzero(ends(OF)).tolist() == [2, 3, 5, 9]


def test_nothing_has_no_segment() -> None:
    none = np.array([], dtype=np.int64)
    where = np.array([], dtype=bool)
    assert not len(ends(none))
    assert first_day(none, where, Segments(none, 2)).tolist() == [NEVER, NEVER]
    assert n_true(where, Segments(none, 2)).tolist() == [0, 0]
    assert not len(latest_index(where, Segments(none, 0), none))


def test_days_without_a_date_stay_without_one() -> None:
    dates = pd.Series(pd.to_datetime(["2024-02-29", None, "1969-12-31"])).astype("datetime64[s]")
    days = as_days(dates)
    assert days.tolist() == [19782, NEVER, -1]
    assert pd.Series(as_dates(days)).equals(dates)
    assert days_between(days, days[::-1]).isna().tolist() == [False, True, False]
