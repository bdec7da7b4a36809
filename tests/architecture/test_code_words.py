"""What errors and the command line say is translated from the English that the code says now."""

import re

import pytest
from code_texts import all_texts, command_texts, error_texts

from analytics.definitions.code_words import catalogue
from analytics.definitions.labels import languages
from analytics.definitions.notebook_words import WRITTEN_IN

OTHERS = [language for language in languages() if language != WRITTEN_IN]
TEXTS = error_texts() | command_texts()


def holes(text):
    return sorted(re.findall(r"\{\w*\}", text))


def test_texts_are_found_in_the_code():
    assert len(TEXTS) > 300
    assert "there are no labels for the language '{0}'" in TEXTS
    assert "Print what a figure counts." in TEXTS
    assert "The report is in {0}" in TEXTS


@pytest.mark.parametrize("language", OTHERS)
def test_every_text_is_translated(language):
    known = catalogue(language)
    assert [f"{file}: {text}" for text, file in TEXTS.items() if text not in known] == []


@pytest.mark.parametrize("language", OTHERS)
def test_no_translation_is_of_a_text_that_is_gone(language):
    written = "\n".join(all_texts())
    gone = [text for text in set(catalogue(language)) - set(TEXTS) if not is_written(text, written)]
    assert gone == []


def is_written(text, written):
    """Whether every piece of a text between its holes stands somewhere in the code."""
    return all(piece.strip(" :,;") in written for piece in re.split(r"\{\d+\}", text))


@pytest.mark.parametrize("language", OTHERS)
def test_translations_put_in_what_the_code_puts_in(language):
    differ = [text for text, words in catalogue(language).items() if holes(text) != holes(words)]
    assert differ == []
