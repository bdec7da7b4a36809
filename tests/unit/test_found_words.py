"""What a check found, in words of people: every name and code has them in every language."""

import ast
from pathlib import Path

import pytest

import analytics
from analytics.definitions.check_effects import CHANGES
from analytics.definitions.checks import CHECKS
from analytics.definitions.codes import VOCABULARIES
from analytics.definitions.columns import TABLES
from analytics.definitions.indicators import INDICATORS
from analytics.definitions.labels import labels, languages
from analytics.display.found import tell_found

INTAKE = Path(analytics.__file__).parent / "intake"


@pytest.mark.parametrize(
    "found, english",
    [
        ("days_unseen=1564", "not seen for 1,564 days"),
        ("days_braced=40, brace_hours=12",
         "40 days since the brace was fitted; brace hours a day: 12"),
        ("pirani_total=4.5, pirani_midfoot=, older_version=no", "Pirani score: 4.5"),
        ("pirani_total=8, older_version=yes", "Pirani score: 8; may be the older ten-item version"),
        ("sex=female / male", "sex: female / male"),
        ("purpose=brace_fitting / cast", "purpose of the visit: brace fitting / cast"),
        ("relapse_noted=True / False", "relapse noted: yes / no"),
        ("child missing", "missing: child"),
        ("visited_on, side missing", "missing: day of the visit, foot"),
        ("left_on=missing, why=died",
         "day on which follow-up ended: missing; why follow-up ended: died"),
        ("brace_hours=(text of 12 signs)",
         "brace hours a day: a text of 12 characters that cannot be shown"),
        ("visited_on=2031-01-01", "day of the visit: 2031-01-01"),
        ("year=2024, share_tenotomy=12, n_feet=40", "year 2024; tenotomy in 12 of 100; feet: 40"),
        ("field=birth_on, n_missing=5, n_records=40", "field: date of birth; missing: 5; of 40"),
        ("", ""),
    ],
)  # fmt: skip
def test_what_was_found_is_told_in_words(found, english):
    assert tell_found(found, "en") == english


def test_numbers_are_written_as_the_language_has_them():
    assert tell_found("days_unseen=1564, rise=1.5", "fr").replace("\u202f", " ") == (
        "pas vu depuis 1 564 jours; hausse de 1,5 points"
    )


@pytest.mark.parametrize("language", languages())
def test_every_column_and_code_has_words(language):
    known = labels(language)
    tables = [columns for table, columns in TABLES.items() if table != "clinics"]
    names = {column.name for columns in tables for column in columns}
    assert [name for name in names if f"record.{name}" not in known] == []
    codes = {f"code.{name}.{code}" for name, own in VOCABULARIES.items() for code in own}
    assert [code for code in codes if code not in known] == []


@pytest.mark.parametrize("language", languages())
def test_every_name_that_a_rule_shows_has_words(language):
    shown = set()
    for path in INTAKE.glob("check_*.py"):
        tree = ast.parse(path.read_text(encoding="utf-8"))
        named = [node for node in ast.walk(tree) if isinstance(node, ast.FunctionDef)]
        rules = [node for node in named if node.name.startswith(("find_", "_show_"))]
        for node in (inner for rule in rules for inner in ast.walk(rule)):
            if isinstance(node, ast.Dict):
                shown |= {key.value for key in node.keys if isinstance(key, ast.Constant)}
        for node in ast.walk(tree):
            if isinstance(node, ast.Call) and getattr(node.func, "id", "") == "_tell":
                shown |= {str(keyword.arg) for keyword in node.keywords}
    assert len(shown) > 30
    known = labels(language)
    told = {name for name in shown if f"seen.{name}" in known or f"record.{name}" in known}
    assert shown - told == {"older_version"}


def test_every_soft_rule_says_what_it_can_change():
    of_records = {c for c, k in CHECKS.items() if k.severity == "soft" and k.scope != "clinic"}
    assert set(CHANGES) == of_records
    assert {code for codes in CHANGES.values() for code in codes} <= set(INDICATORS)
