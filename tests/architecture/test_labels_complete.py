"""Every indicator, endpoint and reason has its words."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

import analytics
from analytics.definitions.endpoints import ENDPOINTS
from analytics.definitions.foot_facts import FOOT
from analytics.definitions.indicators import INDICATORS
from analytics.definitions.labels import label, labels, languages
from analytics.definitions.protocol import Protocol
from analytics.definitions.rules import check_names

ROOT = Path(analytics.__file__).parent


@pytest.mark.parametrize("language", languages())
def test_every_language_has_every_label(language: str) -> None:
    assert labels(language).keys() == labels("en").keys()


@pytest.mark.parametrize("code", INDICATORS)
def test_every_indicator_has_words_and_known_names(code: str) -> None:
    indicator = INDICATORS[code]
    keys = [f"measure.{code}"]
    if indicator.kind == "spread":
        keys = [f"measure.{code}.{part}" for part in ("median", "p25", "p75", "p90")]
    for key in keys:
        assert label("en", key)
    columns = [column.name for column in FOOT]
    for rule in (indicator.population, indicator.known, indicator.presumed_no):
        if rule:
            check_names(rule, columns, Protocol(), where=code)
    if indicator.kind == "share":
        check_names(indicator.numerator, columns, Protocol(), where=code)
    elif indicator.kind == "curve":
        assert indicator.numerator in ENDPOINTS
    else:
        for name in filter(None, (indicator.numerator, indicator.denominator)):
            check_names(f"{name} != missing", columns, Protocol(), where=code)
    if isinstance(indicator.maturity_days, str):
        assert hasattr(Protocol(), indicator.maturity_days)
    assert not indicator.origin or indicator.origin in columns


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
