"""Words for people: labels of each language, read once from TOML files."""

from __future__ import annotations

import tomllib
from functools import cache
from importlib.resources import files
from typing import Any

from analytics.definitions.declared import declared_words
from analytics.definitions.typography import set_marks
from analytics.errors import SettingsError


def languages() -> tuple[str, ...]:
    """Return the languages that have labels, English first."""
    root = files("analytics.definitions") / "labels"
    found = sorted(folder.name for folder in root.iterdir() if folder.is_dir())
    return tuple(sorted(found, key=lambda name: (name != "en", name)))


@cache
def labels(language: str) -> dict[str, str]:
    """Return every label of a language, keyed by its dotted path.

    Raises
    ------
    SettingsError
        When the language has no labels.
    """
    if language not in languages():
        raise SettingsError(
            f"there are no labels for the language '{language}'",
            allowed=", ".join(languages()),
            todo="choose one of these",
        )
    return {key: set_marks(text, language) for key, text in _read(language).items()}


def label(language: str, key: str, /, **values: object) -> str:
    """Return one label with its values put in.

    Raises
    ------
    KeyError
        When the label does not exist: a fault of this program, found by a test.
    """
    return labels(language)[key].format(**values)


def _read(language: str) -> dict[str, str]:
    # English is the language of the definitions themselves; the others translate them.
    merged = dict(declared_words()) if language == "en" else {}
    folder = files("analytics.definitions") / "labels" / language
    for file in sorted(folder.iterdir(), key=lambda item: item.name):
        if file.name.endswith(".toml"):
            merged |= _flatten(tomllib.loads(file.read_text(encoding="utf-8")))
    return merged


def _flatten(tree: dict[str, Any], prefix: str = "") -> dict[str, str]:
    flat: dict[str, str] = {}
    for key, value in tree.items():
        path = f"{prefix}{key}"
        flat |= _flatten(value, f"{path}.") if isinstance(value, dict) else {path: str(value)}
    return flat
