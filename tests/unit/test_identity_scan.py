"""What counts as names, telephones or e-mail in a column kept as text, at the edge of shares."""

from __future__ import annotations

import pandas as pd
import pytest

from analytics.errors import SettingsError, SourceMapError
from analytics.intake.identity import (
    check_key,
    key_texts,
    looks_like_identifier,
    names_identifier,
    scan_for_identifiers,
)
from analytics.intake.texts import categorise

PEOPLE = ["Ada Lind", "Bo Marsh", "Cy van Oort", "Di O'Neil", "Ed Roe-Kay", "Fo Li"]
PHONES = ["0700 555 012", "+44 (0)20 7946 0999", "070-055-5013"]
WORDS = ["river", "hill", "market", "school", "mill", "bridge", "well"]


def is_told(texts, heading="Note"):
    return looks_like_identifier(heading, pd.Series(categorise(texts)))


@pytest.mark.parametrize(
    "title, texts, told",
    [
        ("five names, each once", PEOPLE[:5], True),
        ("four names are too few to judge", PEOPLE[:4], False),
        ("four names of five texts", [*PEOPLE[:4], "river"], True),
        ("three names of five texts", [*PEOPLE[:3], "river", "hill"], False),
        ("names that repeat as places do", PEOPLE[:5] * 2, False),
        ("names that hardly repeat", [*PEOPLE[:5] * 2, PEOPLE[5]][:9], True),
        ("blank cells do not count", [*PEOPLE[:5], *[""] * 20, " "], True),
        ("one word each", WORDS, False),
        ("one telephone in five texts", [PHONES[0], *WORDS[:4]], False),
        ("one telephone in four texts", [PHONES[0], *WORDS[:3]], True),
        ("telephones of three kinds", PHONES, True),
        ("days look like telephones and are none", ["2024-01-05", "2024-02-17 10:30"], False),
        ("telephones in pairs of digits", ["06 12 34 56 78", "06.12.34.56.79"], True),
        ("telephones among days", ["2024-01-05", "2024-02-17", *PHONES], True),
        ("one e-mail address among many texts", [*WORDS * 9, "ada@example.org"], True),
        ("nothing at all", ["", " "], False),
    ],
)
def test_a_column_is_told_by_what_stands_in_it(title, texts, told):
    assert is_told(texts) == told, title


@pytest.mark.parametrize(
    "heading, told",
    [
        ("Guardian phone", True), ("Nom de l'enfant", True), ("nombre_completo", True),
        ("Teléfono", True), ("Endereço", True), ("E-mail", True), ("Telephone", True),
        ("Nomad camp", False), ("Village", False), ("Hotel", False),
    ],
)  # fmt: skip
def test_a_heading_tells_of_identifiers_by_whole_words(heading, told):
    assert names_identifier(heading) == told
    assert is_told(["a"], heading) == told
    assert not is_told([""], heading)


def test_the_scan_names_the_heading_and_none_of_the_values():
    cells = pd.DataFrame({"Notes": categorise(PEOPLE), "Village": categorise(WORDS[:6])})
    with pytest.raises(SourceMapError, match="'Notes' looks like names") as caught:
        scan_for_identifiers(cells, {"Village": True, "Notes": True}, where="a.csv")
    assert not any(name in str(caught.value) for name in PEOPLE)
    scan_for_identifiers(cells, {"Village": True}, where="a.csv")


def test_a_heading_counts_only_where_it_may_tell():
    cells = pd.DataFrame({"Clinic name": categorise(["Hill", "Mill"])})
    scan_for_identifiers(cells, {"Clinic name": False}, where="a.csv")
    with pytest.raises(SourceMapError, match="by its heading"):
        scan_for_identifiers(cells, {"Clinic name": True}, where="a.csv")


def test_a_key_of_eleven_signs_is_refused_without_being_shown():
    assert check_key("a" * 12) == b"a" * 12
    with pytest.raises(SettingsError, match="11 signs") as caught:
        check_key("secret word")
    assert "secret word" not in str(caught.value)


def test_a_pseudonym_has_sixteen_letters_and_three_parts_do_not_run_together():
    def key(*parts):
        texts = [categorise([part]) for part in parts]
        return key_texts(texts, b"a key for tests", purpose="child")[0]

    assert len(key("1")) == 16
    assert len({key("1", "2", "3"), key("12", "", "3"), key("1", "23", ""), key("1", "2", "4"),
                key("2", "2", "3")}) == 5  # fmt: skip
    texts = [categorise(["1", "2"]), categorise([pd.NA, "2"])]
    assert key_texts(texts, b"a key for tests", purpose="child").isna().tolist() == [True, False]
