"""Plain files of a report: text and JSON with the same bytes every time."""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import Any

from analytics.display.terms import is_invisible


def write_text(path: Path, text: str) -> None:
    """Write text in UTF-8 with plain line ends."""
    path.write_text(text, encoding="utf-8", newline="\n")


def write_json(path: Path, tree: object) -> None:
    """Write a tree of plain values; a number that JSON does not know is refused.

    A sign that nobody sees, such as one that turns the direction of text, is written as its number.
    """
    encoder = json.JSONEncoder(ensure_ascii=False, allow_nan=False, indent=1)
    with path.open("w", encoding="utf-8", newline="\n") as file:
        for piece in encoder.iterencode(tree):  # the whole as one text took half a gigabyte
            file.write(piece if piece.isascii() else _show_signs(piece))
        file.write("\n")


def _show_signs(text: str) -> str:
    signs = (c if c.isascii() or not is_invisible(c) else json.dumps(c)[1:-1] for c in text)
    return "".join(signs)


def without_picture(block: Mapping[str, Any]) -> dict[str, Any]:
    """Return the data of a block without its figure."""
    return {name: value for name, value in block.items() if name != "svg"}


def find_seeds(blocks: Iterable[Mapping[str, Any]]) -> list[int]:
    """Return the seeds of the random steps behind blocks."""
    seeds = (block["context"].get("seed") for block in blocks)
    return [seed for seed in seeds if seed is not None]
