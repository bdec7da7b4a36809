"""A programme's own indicators: read from its settings, counted, and refused with reasons."""

from __future__ import annotations

import re

import pytest
from drawn import cohort_of

from analytics.analyses.indicators import estimates
from analytics.definitions.custom import build_catalogue
from analytics.definitions.fingerprint import fingerprint
from analytics.definitions.indicators import INDICATORS
from analytics.definitions.protocol import Protocol

OWN = {
    "quick_brace": {
        "title": {"en": "Brace in three days", "fr": "Attelle en trois jours"},
        "area": "brace",
        "population": "is_corrected",
        "numerator": "days_to_brace <= 3",
        "known": "days_to_brace != missing",
    },
    "tenotomy_rate": {"population": "is_corrected and diagnosis == 'idiopathic'"},
    "brace_late": {"like": "brace_on_time", "title": "Late", "numerator": "days_to_brace > 7"},
}

FEET = """
    child is_corrected days_to_brace prior_treatment diagnosis  has_tenotomy
    a     yes          3             none            idiopathic yes
    b     yes          4             none            syndromic  no
    c     yes          .             none            idiopathic no
    """


def catalogue(tables: dict, language: str = "en"):
    return build_catalogue(tables, Protocol(), where="programme.toml", language=language)


def test_added_and_changed_indicators_are_counted_under_their_own_words() -> None:
    found = catalogue(OWN, "fr")
    assert not found.faults
    assert [i.code for i in found.changed] == ["tenotomy_rate", "quick_brace", "brace_late"]
    asked = [found.get("quick_brace"), found.get("tenotomy_rate")]
    result = estimates(cohort_of(FEET), asked)
    assert result.frame["numerator"].tolist() == [1, 1]
    assert result.frame["denominator"].tolist() == [2, 2]
    own = result.context.own_measures
    assert own["quick_brace"].title == "Attelle en trois jours"
    assert own["tenotomy_rate"].title == ""
    assert found.get("brace_late").origin == INDICATORS["brace_on_time"].origin


def test_a_change_changes_the_fingerprint() -> None:
    plain = estimates(cohort_of(FEET), [INDICATORS["tenotomy_rate"]]).context
    changed = estimates(cohort_of(FEET), [catalogue(OWN).get("tenotomy_rate")]).context
    assert plain.fingerprint == fingerprint(Protocol())
    assert changed.fingerprint != plain.fingerprint


WRONG = {
    "a typing error in a column": ({"numerator": "n_cast > 8"}, "n_casts"),
    "a typing error in a word": ({"numerator": "status == 'losst'"}, "lost"),
    "a typing error in a line": ({"numerater": "is_corrected"}, "numerator"),
    "a call": ({"numerator": "open('x')"}, "no rule may"),
    "an attribute": ({"numerator": "child.__class__ == 'x'"}, "no rule may"),
    "arithmetic": ({"numerator": "n_casts ** 9 > 1"}, "no rule may"),
    "a list": ({"numerator": "[is_corrected for x in side]"}, "is not a rule|no rule may"),
    "no rule at all": ({"numerator": "is corrected"}, "is not a rule"),
    "a date with a number": ({"numerator": "started_on > 3"}, "things of one kind"),
    "a date that is words": ({"numerator": "started_on == '2024-01-01'"}, "things of one kind"),
    "a number alone": ({"numerator": "n_casts or is_corrected"}, "neither yes nor no"),
    "missing in an order": ({"numerator": "n_casts < missing"}, "elsewhere than after =="),
    "words with a number": ({"numerator": "clinic > 3"}, "things of one kind"),
    "an unknown kind": ({"numerator": "is_corrected", "kind": "percentage"}, "share, ratio"),
    "an unknown endpoint": ({"numerator": "relaps", "kind": "curve"}, "relapse"),
    "words to be added up": ({"numerator": "clinic", "kind": "spread"}, "column of numbers"),
    "a maturity without a day": ({"numerator": "is_corrected", "maturity_days": 9}, "origin"),
    "an unknown window": (
        {"numerator": "is_corrected", "origin": "brace_on", "maturity_days": "lost_brace_days"},
        "lost_bracing_days",
    ),
    "a number for words": ({"numerator": 3}, "a text in quotes"),
    "nothing to count": ({}, "numerator"),
    "an unknown model": ({"like": "tenotomy_rat"}, "tenotomy_rate"),
}


@pytest.mark.parametrize("name", WRONG)
def test_what_is_wrong_is_said_and_the_rest_is_kept(name: str) -> None:
    table, said = WRONG[name]
    found = catalogue({"mine": {"title": "Mine", **table}, **OWN})
    (fault,) = found.faults
    assert fault.where == "programme.toml, [indicator.mine]"
    assert fault.found and (fault.allowed or fault.todo)
    assert re.search(said, str(fault)), str(fault)
    assert "mine" not in found.indicators and "quick_brace" in found.indicators
    with pytest.raises(type(fault)):
        found.get("mine")


def test_a_faulty_change_takes_the_indicator_out() -> None:
    found = catalogue({"tenotomy_rate": {"population": "is_correctd"}})
    assert "tenotomy_rate" not in found.indicators
    assert len(found.faults) == 1


def test_columns_carried_along_can_be_named_once_they_are_there() -> None:
    mine = {"mine": {"title": "Mine", "numerator": "extra_ward == 'north'"}}
    assert catalogue(mine).faults
    found = build_catalogue(mine, Protocol(), where="p.toml", columns=["extra_ward"])
    assert not found.faults
