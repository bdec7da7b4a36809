"""The language in which the command line speaks, and errors told in it."""

from __future__ import annotations

import json
import re
import tomllib
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from analytics.definitions.code_words import in_words_of
from analytics.definitions.labels import label, labels, languages
from analytics.definitions.notebook_words import WRITTEN_IN

#: Variables of the environment that name the language of messages, the first one set decides.
_LOCALE_VARIABLES = ("LC_ALL", "LC_MESSAGES", "LANG")

_LABELLED = re.compile(r"  (where|allowed|to do): (.*)", re.DOTALL)
_TEXT_OF_A_LIST = re.compile(r'    (".*"),')
_NOT_ESTIMABLE = re.compile(r"not estimable: (\w+)(.*)", re.DOTALL)


def find_language(arguments: Sequence[str], environment: Mapping[str, str]) -> str:
    """Return the language of messages: the option's, the settings file's, the locale's, English.

    A wish for a language that has no labels is passed over here; the command refuses it.
    """
    known = languages()
    wishes = (_from_option(arguments), _from_settings(arguments), _from_locale(environment))
    return next((wish for wish in wishes if wish in known), WRITTEN_IN)


def tell_error(text: str, language: str) -> str:
    """Return the text of an error, line by line, in a language.

    Parameters
    ----------
    text
        As ``str(error)`` gives it: what was found, then labelled lines.
    """
    return "\n".join(_tell_line(line, language) for line in text.split("\n"))


def tell_draft(text: str, language: str) -> str:
    """Return a proposed source map with its remarks and its doubts in a language."""
    lines, is_doubt = [], False
    for line in text.split("\n"):
        is_doubt = line.startswith("doubtful") or is_doubt and not line.startswith("]")
        lines.append(_tell_doubt(line, language) if is_doubt else _tell_remark(line, language))
    return "\n".join(lines)


def _tell_doubt(line: str, language: str) -> str:
    found = _TEXT_OF_A_LIST.fullmatch(line)
    if not found:
        return line
    told = in_words_of(language, tomllib.loads(f"text = {found[1]}")["text"])
    return f"    {json.dumps(told, ensure_ascii=False)},"


def _tell_remark(line: str, language: str) -> str:
    before, mark, remark = line.rpartition("# ")
    is_remark = mark and (not before or before.endswith("  "))
    return f"{before}{mark}{in_words_of(language, remark)}" if is_remark else line


def speak(command: Any, language: str) -> None:
    """Put the help of a command, of its options and of the commands below it in a language."""
    command.help = in_words_of(language, command.help or "")
    command.short_help = in_words_of(language, command.short_help or "")
    for option in command.params:
        if getattr(option, "help", None):
            option.help = in_words_of(language, option.help)
    for below in getattr(command, "commands", {}).values():
        speak(below, language)


def _tell_line(line: str, language: str) -> str:
    labelled = _LABELLED.fullmatch(line)
    if labelled:
        head = label(language, f"message.{labelled[1].replace(' ', '_')}")
        words = in_words_of(language, labelled[2])
        return "  " + label(language, "word.group", name=head, level=words)
    refused = _NOT_ESTIMABLE.fullmatch(line)
    if refused and f"not_estimable.{refused[1]}" in labels(language):
        why = label(language, f"not_estimable.{refused[1]}")
        name = label(language, "word.not_estimable")
        return label(language, "word.group", name=name, level=why) + refused[2]
    return in_words_of(language, line)


def _from_option(arguments: Sequence[str]) -> str:
    for place, word in enumerate(arguments):
        name, _, value = word.partition("=")
        if name == "--language":
            return value or "".join(arguments[place + 1 : place + 2])
    return ""


def _from_settings(arguments: Sequence[str]) -> str:
    for file in (Path(word) for word in arguments if word.endswith(".toml")):
        try:
            tree = tomllib.loads(file.read_text(encoding="utf-8"))
        except (OSError, ValueError):
            continue
        programme = tree.get("programme")
        if isinstance(programme, dict) and "language" in programme:
            return str(programme["language"])
    return ""


def _from_locale(environment: Mapping[str, str]) -> str:
    wishes = (environment.get(name, "") for name in _LOCALE_VARIABLES)
    return next((wish[:2] for wish in wishes if wish), "")
