"""Definitions printed as text: the rule that counts, its windows, its range and its source."""

from __future__ import annotations

import re
from dataclasses import fields, replace
from pathlib import Path

import pytest
from drawn import cohort_of, drawn, typed

from analytics.analyses import coverage
from analytics.definitions.burden import Burden
from analytics.definitions.columns import CLINICS
from analytics.definitions.declared import declared_words
from analytics.definitions.foot_facts import FOOT
from analytics.definitions.formulas import FORMULAS
from analytics.definitions.indicator_checks import find_names
from analytics.definitions.indicators import INDICATORS
from analytics.definitions.labels import label, languages
from analytics.definitions.protocol import Protocol
from analytics.definitions.waits import WAITS
from analytics.display.definitions import define, said
from analytics.errors import SettingsError
from analytics.reports.define import tell_definition

SETTINGS = """
[programme]
name = "Demo"
cut_off = 2025-12-31
identity_key = "a secret"
[[source]]
path = "a.csv"
map = "a.toml"
[protocol]
casts_many = 10
[indicator.quick_brace]
title = "Brace in three days"
numerator = "days_to_brace <= 3"
[indicator.tenotomy_rate]
numerator = "has_tenotmy"
"""


def plain(text: str) -> str:
    return re.sub(r"\s+", " ", text)


@pytest.fixture
def settings(tmp_path: Path) -> Path:
    file = tmp_path / "programme.toml"
    file.write_text(SETTINGS, encoding="utf-8")
    return file


@pytest.mark.parametrize("language", languages())
@pytest.mark.parametrize("code", INDICATORS)
def test_every_definition_prints_in_every_language(code: str, language: str) -> None:
    indicator = INDICATORS[code]
    text = plain(define(indicator, Protocol(), language))
    assert plain(indicator.population) in text and plain(said(indicator.source, language)) in text
    if indicator.kind != "curve":
        assert plain(indicator.numerator) in text
    assert plain(said(indicator.reference, language)) in text
    names = set(find_names(indicator))
    for name in names & {column.name for column in FOOT}:
        assert plain(label(language, f"fact.{name}")) in text
    for name in names & {window.name for window in fields(Protocol)}:
        assert plain(label(language, f"window.{name}")) in text


@pytest.mark.parametrize("language", languages())
@pytest.mark.parametrize("code", [*FORMULAS, *(wait.code for wait in WAITS)])
def test_every_other_figure_prints_in_every_language(code: str, language: str) -> None:
    text = plain(tell_definition(code, language=language))
    assert label(language, "define.read_with") in text
    if code in FORMULAS:
        assert FORMULAS[code].formula in text
        names = set(re.findall(r"[a-z]\w+", FORMULAS[code].formula))
        published = {name: getattr(Burden(), name) for name in names if hasattr(Burden(), name)}
        for name in names - set(published):
            assert text.count(name) > 1
        for number in published.values():
            assert plain(said(number.source, language)) in text
            assert plain(said(number.unit, language)) in text


@pytest.mark.parametrize("language", [name for name in languages() if name != "en"])
def test_what_a_definition_says_of_itself_is_translated(language: str) -> None:
    # Citations and bare numbers may be the same in two languages, sentences may not.
    same = [text for key, text in declared_words().items()
            if key.startswith(("fact.", "window.")) and label(language, key) == text]  # fmt: skip
    assert same == []


def test_published_numbers_are_those_in_force(settings: Path) -> None:
    text = plain(tell_definition("coverage"))
    assert "birth_prevalence = 1.18 (1 to 1.36) per 1000 live births: Smythe 2023" in text
    settings.write_text(SETTINGS + "[published]\nbirth_prevalence = [2.0, 1.5, 2.5]\n")
    changed = plain(tell_definition("coverage", settings=settings))
    assert "birth_prevalence = 2 (1.5 to 2.5) per 1000 live births: set by the programme" in changed


def test_a_formula_is_the_one_that_counts() -> None:
    """Each printed formula, worked out as printed from the frame's own counts."""
    feet = drawn(
        """
        child clinic started_on age_start_days
        a     A      2025-06-01 20
        b     A      2025-06-01 40
        """
    )
    clinics = typed(
        drawn("clinic country opened_on annual_live_births\nA XV 2020-01-01 100000"), CLINICS
    )
    frame = coverage.estimates(replace(cohort_of(feet), clinics=clinics)).frame
    known = {"children_under_one": 2, "live_births": 100000, "birth_prevalence": 1.18}
    for row in frame.itertuples():
        assert row.estimate == pytest.approx(eval(FORMULAS[row.measure].formula, {}, known))


def test_windows_stand_with_their_values_and_reasons(settings: Path) -> None:
    text = plain(tell_definition("many_casts"))
    assert "casts_many = 8 casts: series means lie at 4-8 casts" in text
    changed = plain(tell_definition("many_casts", settings=settings))
    assert "casts_many = 10 casts (default 8)" in changed
    assert "Matures: 21 days after started_on" in plain(tell_definition("dropped_out_casting"))
    assert "n_casts: Casts of the first series" in text


def test_own_indicators_are_printed_and_faulty_ones_said(settings: Path) -> None:
    assert "days_to_brace <= 3" in tell_definition("quick_brace", settings=settings)
    listed = tell_definition(settings=settings)
    assert "Brace in three days" in listed and "has_tenotmy" in listed
    with pytest.raises(SettingsError, match="has_tenotmy"):
        tell_definition("tenotomy_rate", settings=settings)


def test_the_list_names_every_indicator_and_an_unknown_code_the_nearest() -> None:
    listed = tell_definition()
    assert all(code in listed for code in (*INDICATORS, *FORMULAS))
    with pytest.raises(SettingsError, match="tenotomy_rate"):
        tell_definition("tenotomy_rat")
    with pytest.raises(SettingsError, match="no labels"):
        tell_definition(language="xx")
