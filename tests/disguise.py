"""Labels in disguise: a word that a reader sees in plain letters came from no label."""

from __future__ import annotations

import re
import string
from collections.abc import Iterator
from html.parser import HTMLParser

from analytics.definitions import labels as module

#: Latin letters to Cyrillic ones, so that figures can draw them and upper case stays upper case.
_DISGUISE = str.maketrans(
    string.ascii_letters, "".join(chr(start + i) for start in (0x430, 0x410) for i in range(26))
)

_PLAIN = re.compile(r"[A-Za-z]{2,}")


def hide(text: str) -> str:
    """Return a text with its Latin letters in disguise."""
    return text.translate(_DISGUISE)


def hide_label(text: str) -> str:
    """Return a label in disguise; the names of its values stay, the values are not touched."""
    parts = []
    for literal, name, spec, _ in string.Formatter().parse(text):
        parts.append(hide(literal).replace("{", "{{").replace("}", "}}"))
        if name is not None:
            parts.append(f"{{{name}:{spec}}}" if spec else f"{{{name}}}")
    return "".join(parts)


def disguise(monkeypatch) -> None:
    """Put every label of every language in disguise until the test is over."""
    read = module._read
    monkeypatch.setattr(
        module, "_read", lambda language: {k: hide_label(v) for k, v in read(language).items()}
    )
    module.labels.cache_clear()


def plain_words(text: str, data: set[str]) -> set[str]:
    """Return the words of a text in plain letters, but for texts that are data."""
    for known in sorted(data, key=len, reverse=True):
        text = text.replace(known, " ")
    return set(_PLAIN.findall(text))


def seen_texts(html: str) -> Iterator[str]:
    """Yield the texts of a page that a person sees or hears."""
    parser = _Seen()
    parser.feed(html)
    parser.close()
    yield from parser.texts


class _Seen(HTMLParser):
    def __init__(self):
        super().__init__()
        self.texts, self._unseen = [], 0

    def handle_starttag(self, tag, attrs):
        self._unseen += tag in ("style", "script")
        self.texts += [v for k, v in attrs if v and k in ("alt", "title", "aria-label")]

    def handle_endtag(self, tag):
        self._unseen -= tag in ("style", "script")

    def handle_data(self, data):
        if not self._unseen:
            self.texts.append(data)
