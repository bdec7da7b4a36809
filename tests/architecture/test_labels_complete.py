"""Every indicator, endpoint and reason has its words."""

from __future__ import annotations

import re
import string
from pathlib import Path

import pytest

import analytics
from analytics.definitions.endpoints import ENDPOINTS
from analytics.definitions.foot_facts import FOOT
from analytics.definitions.indicator_checks import check_indicator
from analytics.definitions.indicators import INDICATORS
from analytics.definitions.labels import label, labels, languages
from analytics.definitions.protocol import Protocol

ROOT = Path(analytics.__file__).parent


@pytest.mark.parametrize("language", languages())
def test_every_language_has_every_label(language: str) -> None:
    assert labels(language).keys() == labels("en").keys()


@pytest.mark.parametrize("language", languages())
def test_every_label_takes_the_values_that_the_english_takes(language: str) -> None:
    here, english = labels(language), labels("en")
    differ = [k for k in english if _placeholders(here.get(k, "")) != _placeholders(english[k])]
    assert not differ


def test_the_four_languages_are_there() -> None:
    assert languages() == ("en", "es", "fr", "pt")


def test_a_unit_has_a_word_for_one_and_for_others() -> None:
    units = {key.rpartition(".")[0] for key in labels("en") if key.startswith("unit.")}
    assert len(units) > 10
    assert {f"{u}.{n}" for u in units for n in ("one", "other")} <= labels("en").keys()


def _placeholders(text: str) -> set[str]:
    return {name for _, name, _, _ in string.Formatter().parse(text) if name is not None}


@pytest.mark.parametrize("code", INDICATORS)
def test_every_indicator_has_words(code: str) -> None:
    keys = [f"measure.{code}"]
    if INDICATORS[code].kind == "spread":
        keys = [f"measure.{code}.{part}" for part in ("median", "p25", "p75", "p90")]
    for key in keys:
        assert label("en", key)


@pytest.mark.parametrize("code", INDICATORS)
def test_every_indicator_names_what_exists(code: str) -> None:
    check_indicator(INDICATORS[code], Protocol(), where=code)


@pytest.mark.parametrize("code", ENDPOINTS)
def test_every_endpoint_has_words_and_known_columns(code: str) -> None:
    endpoint = ENDPOINTS[code]
    for key in (f"question.{code}", f"population.{code}", f"state.{code}_free"):
        assert label("en", key)
    columns = {column.name for column in FOOT}
    dates = {endpoint.origin, *endpoint.events, *endpoint.competing}
    assert dates | {endpoint.seen_free, endpoint.enters} - {""} <= columns | {""}


def test_every_reason_that_statistics_give_has_words() -> None:
    pattern = re.compile(r'NotEstimableError\(\s*"([a-z_]+)"')
    reasons = {
        reason for file in ROOT.rglob("*.py") for reason in pattern.findall(file.read_text())
    }
    assert len(reasons) > 10
    missing = {reason for reason in reasons if f"not_estimable.{reason}" not in labels("en")}
    assert not missing
