"""Every indicator, endpoint and reason has its words."""

from __future__ import annotations

import re
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
