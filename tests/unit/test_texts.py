"""Texts as codes: every way of making, joining and writing them keeps what each row says."""

import numpy as np
import pandas as pd
import pytest

from analytics.intake.frames import from_arrow, stack_frames, to_arrow
from analytics.intake.texts import (
    categorise,
    coded_frame,
    factorize,
    fill_texts,
    fold_codes,
    from_codes,
    map_texts,
    plain_frame,
    plain_texts,
    put_text,
    repeat_text,
    share_texts,
    sort_texts,
    stack_texts,
    used_codes,
)

TOLD = ["left", None, "right", "left", "", None]


def told(texts: pd.Categorical) -> list[object]:
    return [None if pd.isna(text) else text for text in texts]


def test_texts_are_what_they_were_made_from() -> None:
    texts = categorise(TOLD)
    assert told(texts) == TOLD
    assert plain_texts(texts).dtype == "string"
    assert told(plain_texts(texts)) == TOLD


def test_codes_into_values_that_repeat_or_miss_a_text_are_folded() -> None:
    values = np.array(["a", None, "b", "a", pd.NA], dtype=object)
    texts = fold_codes(np.array([0, 1, 2, 3, 4, -1]), values)
    assert told(texts) == ["a", None, "b", "a", None, None]
    assert [*texts.categories] == ["a", "b"]


def test_one_text_for_all_rows() -> None:
    assert told(repeat_text("a", 3)) == ["a", "a", "a"]
    assert told(repeat_text(None, 2)) == [None, None]
    assert not len(repeat_text("a", 0))


@pytest.mark.parametrize("other", [["x", None, "left"], [], [None], TOLD])
def test_stacked_texts_stand_under_each_other(other: list[object]) -> None:
    assert told(stack_texts([categorise(TOLD), categorise(other)])) == TOLD + other


def test_texts_of_one_set_of_categories_keep_it() -> None:
    texts = categorise(TOLD)
    stacked = stack_texts([texts, texts.take([0, 2])])
    assert stacked.categories is texts.categories
    assert told(stacked) == [*TOLD, "left", "right"]


def test_missing_texts_are_filled() -> None:
    assert told(fill_texts(categorise(TOLD), "?")) == ["left", "?", "right", "left", "", "?"]
    assert told(fill_texts(categorise(TOLD), "")) == ["left", "", "right", "left", "", ""]
    assert told(fill_texts(categorise(["a"]), "?")) == ["a"]


def test_one_text_is_put_in_some_rows() -> None:
    at = np.array([True, True, False, False, False, False])
    for text in ("right", "?"):
        assert told(put_text(categorise(TOLD), at, text)) == [text, text, *TOLD[2:]]
    assert told(put_text(categorise(TOLD), ~at & at, "?")) == TOLD


def test_replaced_texts_may_become_one() -> None:
    mapped = map_texts(categorise(TOLD), {"left": "right", "up": "down"})
    assert told(mapped) == ["right", None, "right", "right", "", None]
    assert [*mapped.categories] == ["right", ""]


@pytest.mark.parametrize("sort", [False, True])
def test_places_are_those_of_pandas(sort: bool) -> None:
    rows = pd.Series(["b", "a", None, "b"])
    coded = pd.Series(categorise([*rows, "c"])[:4])  # a text that no row has any more
    codes, distinct = factorize(coded, sort=sort)
    assert told(np.append(distinct, None)[codes]) == told(rows)
    known = codes[codes >= 0]
    expected = pd.factorize(rows[rows.notna()], sort=sort)[0]
    assert np.array_equal(np.unique(known, return_inverse=True)[1], expected) or not sort
    used, left = used_codes(coded.array)
    assert sorted(left) == ["a", "b"]
    assert told(np.append(left, None)[used]) == told(rows)


def test_frames_are_coded_and_plain_again() -> None:
    frame = pd.DataFrame({"side": pd.array(TOLD, dtype="string"), "n": range(6)}, index=[*"abcdef"])
    coded = coded_frame(frame)
    assert coded["side"].dtype == "category"
    pd.testing.assert_frame_equal(plain_frame(coded), frame)
    assert plain_frame(frame) is frame


def test_a_file_of_coded_texts_holds_those_that_some_row_has() -> None:
    frame = pd.DataFrame({"side": from_codes(np.array([2, -1, 2]), ["a", "b", "c"])})
    for is_coded in (True, False):
        table = to_arrow(frame, coded=is_coded)
        pd.testing.assert_frame_equal(from_arrow(table), plain_frame(frame))
    assert to_arrow(frame, coded=True)["side"].chunk(0).dictionary.to_pylist() == ["c"]


def test_stacked_frames_are_coded_where_any_is() -> None:
    plain = pd.DataFrame({"side": pd.array(["left", None], dtype="string"), "n": [1, 2]})
    coded = coded_frame(plain.iloc[::-1].reset_index(drop=True))
    without = pd.DataFrame({"n": [5]})
    stacked = stack_frames([plain, coded, without])
    assert stacked["side"].dtype == "category"
    assert told(stacked["side"]) == ["left", None, None, "left", None]


def test_columns_that_share_their_texts_have_one_code_for_one_text_and_in_its_order() -> None:
    columns = [categorise(TOLD), categorise(["x", "left", None]), repeat_text(None, 2)]
    unused = from_codes(np.array([1, 1]), ["a", "b"])
    shared = share_texts([*columns, unused])
    assert [*map(told, shared)] == [*map(told, columns), ["b", "b"]]
    assert all(texts.categories is shared[0].categories for texts in shared)
    assert [*shared[0].categories] == ["", "b", "left", "right", "x"]
    assert share_texts(shared)[0] is shared[0]


@pytest.mark.parametrize("n", [0, 10, 3_000])
def test_texts_are_sorted_as_python_sorts_them(n: int) -> None:
    signs = ["a", "Z", "é", "z", "ß", "\uffee", "\U0001f9b6", " "]
    texts = np.array([f"{signs[i % 8]}{i * 7919 % 3001}" for i in range(n)], dtype=object)
    rank, ordered = sort_texts(texts)
    assert [*ordered] == sorted(texts)
    assert [*ordered[rank]] == [*texts]


@pytest.mark.parametrize("n", [10, 100, 1_000])
def test_the_texts_that_some_row_has_are_found_among_few_and_many(n: int) -> None:
    codes, distinct = used_codes(from_codes(np.array([7, 9, -1, 7]), [f"t{i}" for i in range(n)]))
    assert [*codes] == [0, 1, -1, 0]
    assert [*distinct] == ["t7", "t9"]
