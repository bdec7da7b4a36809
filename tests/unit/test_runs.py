"""Whole numbers of many rows, held against numpy's own sort and against groups of pandas."""

import numpy as np
import pandas as pd
import pytest

from analytics.intake.runs import (
    begins,
    changes,
    count_within,
    find_spans,
    first_chosen,
    renumber,
    sort_numbers,
)

RANDOM = np.random.default_rng(7)
GROUPS = np.sort(RANDOM.integers(0, 40, 200))
CHOSEN = RANDOM.random(200) < 0.3


@pytest.mark.parametrize("n", [0, 1, 2, 500])
@pytest.mark.parametrize("widest", [3, 70_000, 2**40])
def test_numbers_of_any_width_are_sorted_as_numpy_sorts_them(n, widest):
    keys = [RANDOM.integers(-widest, widest, n), RANDOM.integers(0, 5, n), np.arange(n) // 3]
    for order in (keys, keys[::-1], keys[:1]):
        np.testing.assert_array_equal(sort_numbers(order), np.lexsort(order))


def test_the_first_chosen_row_of_a_group_is_that_of_pandas():
    rows = pd.Series(np.where(CHOSEN, np.arange(200), np.nan)).groupby(GROUPS).transform("min")
    np.testing.assert_array_equal(first_chosen(GROUPS, CHOSEN), rows.fillna(-1))


def test_chosen_rows_are_counted_within_their_group_as_pandas_counts_them():
    counted = pd.Series(CHOSEN.astype(int)).groupby(GROUPS).cumsum()
    np.testing.assert_array_equal(count_within(CHOSEN, GROUPS), counted)


def test_spans_are_the_rows_of_equal_numbers():
    begin, after = find_spans(changes(GROUPS))
    for row, number in enumerate(GROUPS):
        own = np.flatnonzero(number == GROUPS)
        assert (begin[row], after[row]) == (own[0], own[-1] + 1)
    np.testing.assert_array_equal(renumber(GROUPS), pd.factorize(GROUPS)[0])


@pytest.mark.parametrize("numbers", [[], [4], [4, 4], [4, 5, 4]])
def test_where_numbers_begin(numbers):
    wanted = [place for place, n in enumerate(numbers) if place == 0 or n != numbers[place - 1]]
    assert begins(np.array(numbers, dtype=np.int64)).tolist() == wanted


def test_a_row_changes_where_any_of_its_numbers_does():
    first, second = np.array([1, 1, 1, 2, 2]), np.array([5, 5, 6, 6, 6], dtype=np.int8)
    assert changes(first, second).tolist() == [True, False, True, True, False]
    assert begins(first, second).tolist() == [0, 2, 3]
