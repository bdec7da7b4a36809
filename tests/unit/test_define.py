"""Definitions printed as text: the rule that counts, its windows, its range and its source."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from analytics.definitions.indicators import INDICATORS
from analytics.definitions.labels import languages
from analytics.definitions.protocol import Protocol
from analytics.display.definitions import define
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
    assert plain(indicator.population) in text and indicator.source in text
    if indicator.kind != "curve":
        assert plain(indicator.numerator) in text
    assert (not indicator.reference) or indicator.reference in text


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
    assert all(code in listed for code in INDICATORS)
    with pytest.raises(SettingsError, match="tenotomy_rate"):
        tell_definition("tenotomy_rat")
    with pytest.raises(SettingsError, match="no labels"):
        tell_definition(language="xx")
