"""The language of rules: what may be written, and truth with three values."""

from __future__ import annotations

import pandas as pd
import pytest
from drawn import drawn, typed

from analytics.definitions.foot_facts import FOOT
from analytics.definitions.protocol import Protocol
from analytics.definitions.rules import check_names, evaluate, names_in, parse_rule
from analytics.errors import SettingsError

FEET = typed(
    drawn(
        """
        child side clinic n_casts is_corrected tenotomy_on retenotomy_on diagnosis
        a     left  A     5       yes          2024-01-01  2024-01-31    idiopathic
        b     left  A     9       no           2024-01-01  .             syndromic
        c     left  A     .       .            .           .             .
        """
    ),
    FOOT,
)
YES, NO, MISSING = True, False, pd.NA


@pytest.mark.parametrize(
    ("rule", "truth"),
    [
        ("n_casts <= 8", [YES, NO, MISSING]),
        ("n_casts > casts_many", [NO, YES, MISSING]),
        ("4 < n_casts <= 8", [YES, NO, MISSING]),
        ("not is_corrected", [NO, YES, MISSING]),
        ("is_corrected or n_casts == 9", [YES, YES, MISSING]),
        ("is_corrected and true", [YES, NO, MISSING]),
        ("is_corrected and false", [NO, NO, NO]),
        ("n_casts > -1", [YES, YES, MISSING]),
        ("diagnosis == 'idiopathic'", [YES, NO, MISSING]),
        ("tenotomy_on == missing", [NO, NO, YES]),
        ("tenotomy_on != missing", [YES, YES, NO]),
        ("days_tenotomy_to_retenotomy <= 30", [YES, MISSING, MISSING]),
        ("days_tenotomy_to_retenotomy < 30", [NO, MISSING, MISSING]),
        ("retenotomy_on != missing and days_tenotomy_to_retenotomy <= 30", [YES, NO, NO]),
        ("tenotomy_on < retenotomy_on", [YES, MISSING, MISSING]),
        ("4 < n_casts == missing", [NO, NO, MISSING]),
        ("clinic < 'B'", [YES, YES, YES]),
        ("'idiopathic' < diagnosis", [NO, YES, MISSING]),
        ("diagnosis > clinic", [YES, YES, MISSING]),
        ("is_corrected == true", [YES, NO, MISSING]),
        ("not (n_casts > 5 and is_corrected)", [YES, YES, MISSING]),
        ("(n_casts > 5) == missing", [NO, NO, YES]),
        ("not (n_casts > 5 or is_corrected)", [NO, NO, MISSING]),
        ("n_casts < 5 or days_tenotomy_to_retenotomy < 40", [YES, MISSING, MISSING]),
        ("n_casts < 9 and days_tenotomy_to_retenotomy < 40", [YES, NO, MISSING]),
        ("", [YES, YES, YES]),
        ("true", [YES, YES, YES]),
    ],
)
def test_truth_has_three_values(rule: str, truth: list[object]) -> None:
    texts = FEET.select_dtypes("string").columns
    for feet in (FEET, FEET.astype(dict.fromkeys(texts, "category"))):
        found = evaluate(rule, feet, Protocol())
        pd.testing.assert_series_equal(found, pd.Series(truth, dtype="boolean"), check_names=False)


@pytest.mark.parametrize(
    "rule",
    [
        "tenotomy_on < 5",
        "n_casts >= 'few'",
        "tenotomy_on == n_casts",
        "n_casts != 'idiopathic'",
        "tenotomy_on == '2024-01-01'",
        "not diagnosis",
        "n_casts or is_corrected",
        "casts_many and is_corrected",
        "'yes' or is_corrected",
    ],
)
def test_things_of_different_kinds_are_not_compared_and_have_no_truth(rule: str) -> None:
    with pytest.raises(TypeError):
        evaluate(rule, FEET, Protocol())


def test_nothing_of_nothing_is_missing_and_not_no() -> None:
    share = pd.Series([0.0, 1.0], dtype="Float64") / pd.Series([0.0, 2.0], dtype="Float64")
    feet = pd.DataFrame({"share": share, "plain": [float("nan"), 0.5]})
    for rule in ("share >= 0.5", "plain >= 0.5", "not (share < 0.5)"):
        assert evaluate(rule, feet, Protocol()).tolist() == [MISSING, YES]
    assert evaluate("share == missing", feet, Protocol()).tolist() == [YES, NO]


def test_a_frame_without_rows_or_with_nothing_known_has_its_answers() -> None:
    none = FEET.iloc[:0]
    assert evaluate("diagnosis == 'idiopathic' or n_casts > 3", none, Protocol()).empty
    unknown = FEET.iloc[2:]
    for rule in ("diagnosis == 'idiopathic'", "diagnosis == sex", "days_tenotomy_to_corrected > 1"):
        named = unknown.assign(sex=pd.array([pd.NA], "string"), corrected_on=pd.NaT)
        assert evaluate(rule, named, Protocol()).isna().all()


@pytest.mark.parametrize(
    "rule",
    [
        "__import__('os').system('true')",
        "n_casts.real > 1",
        "(lambda: true)()",
        "[x for x in n_casts]",
        "n_casts + 1 > 2",
        "n_casts if true else 1",
        "n_casts >",
        "f'{n_casts}'",
        "n_casts[0] == 1",
        "n_casts in (1, 2)",
        "n_casts is 1",
        "(y := 3) > 2",
        "n_casts == b'1'",
        "n_casts == True",
        "-n_casts < 1",
        "x; y",
        "n_casts < missing",
        "missing == n_casts",
        "n_casts == missing == 3",
        "missing",
        "is_corrected and missing",
        "(" * 500 + "n_casts" + ")" * 500,
        "",
    ],
)
def test_nothing_else_can_be_written(rule: str) -> None:
    with pytest.raises(SettingsError) as error:
        parse_rule(rule, where="programme.toml [indicator]")
    assert error.value.where == "programme.toml [indicator]"
    assert error.value.allowed


def test_a_misspelt_column_is_named_with_what_is_close() -> None:
    with pytest.raises(SettingsError, match="n_cast'") as error:
        check_names("n_cast > 3", FEET.columns, Protocol(), where="here")
    assert "n_casts" in error.value.allowed


def test_names_are_columns_and_windows() -> None:
    assert names_in("n_casts > casts_many and sex != missing") == ("casts_many", "n_casts", "sex")
