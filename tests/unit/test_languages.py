"""Numbers, days and plurals as each language writes them, against CLDR through Babel."""

from __future__ import annotations

from datetime import date, timedelta

import pytest
from babel.dates import format_date

from analytics.definitions.labels import label, languages
from analytics.definitions.typography import set_marks
from analytics.display import numbers

NO_BREAK, NARROW = "\u00a0", "\u202f"


@pytest.mark.parametrize("language", languages())
def test_days_are_those_of_cldr_but_for_ordinals_of_the_first(language: str) -> None:
    days = [date(2023, 12, 28) + timedelta(days=step) for step in range(0, 400, 3)]
    for day in days:
        cldr = str(format_date(day, format="long", locale=numbers.locale_of(language)))
        if day.day == 1:
            cldr = cldr.replace("1", label(language, "period.first"), 1)
        assert numbers.day(day, language) == cldr


def test_the_first_of_a_month_is_an_ordinal_where_readers_expect_it() -> None:
    # By the style guides of the French and the Brazilian state presses, from memory.
    assert numbers.day(date(2026, 7, 1), "fr") == "1er juillet 2026"
    assert numbers.day(date(2026, 7, 1), "pt") == "1º de julho de 2026"
    assert numbers.day(date(2026, 7, 1), "es") == "1 de julio de 2026"
    assert numbers.day(date(2026, 7, 1), "en") == "1 July 2026"


@pytest.mark.parametrize(
    ("language", "written"),
    [
        ("en", ("12,345", "0.50", "72.4%")),
        ("fr", (f"12{NARROW}345", "0,50", f"72,4{NO_BREAK}%")),
        ("es", ("12.345", "0,50", f"72,4{NO_BREAK}%")),
        ("pt", ("12.345", "0,50", "72,4%")),
    ],
)
def test_numbers_have_the_marks_of_their_language(language: str, written: tuple[str, ...]) -> None:
    found = (
        numbers.count(12345, language),
        numbers.decimal(0.5, language, places=2),
        numbers.percent(0.724, language),
    )
    assert found == written


@pytest.mark.parametrize(
    ("language", "words"),
    [
        ("en", ("0 feet", "1 foot", "2 feet")),
        ("fr", ("0 pied", "1 pied", "2 pieds")),
        ("es", ("0 pies", "1 pie", "2 pies")),
        ("pt", ("0 pé", "1 pé", "2 pés")),
    ],
)
def test_units_follow_the_plural_rule_of_their_language(
    language: str, words: tuple[str, ...]
) -> None:
    # CLDR: French and Brazilian Portuguese count 0 as one, English and Spanish do not.
    assert tuple(numbers.counted(n, "foot", language) for n in range(3)) == words
    million = numbers.units(1_000_000, "foot", language)
    assert million == numbers.units(None, "foot", language)


def test_french_marks_keep_to_their_word() -> None:
    assert set_marks("l'enfant, aujourd'hui, code = 'x'", "fr") == (
        "l\u2019enfant, aujourd\u2019hui, code = 'x'"
    )
    text = "Comptés : 5 % ; est-ce « tout » ?"
    n, w = NARROW, NO_BREAK
    assert set_marks(text, "fr") == f"Comptés{w}: 5{w}%{n}; est-ce «{w}tout{w}»{n}?"
    assert set_marks("el 95 % de los", "es") == f"el 95{w}% de los"
    assert set_marks(text, "en") == text
