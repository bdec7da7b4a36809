"""Close names, for error messages that tell a person what may have been meant."""

from __future__ import annotations

from collections.abc import Iterable
from difflib import get_close_matches


def suggest(name: str, known: Iterable[str]) -> str:
    """Return "did you mean ...?" with up to three close names, or nothing.

    Parameters
    ----------
    name
        What was found.
    known
        What would have been accepted.
    """
    by_folded = {item.casefold(): item for item in known}
    close = get_close_matches(name.casefold(), list(by_folded), n=3, cutoff=0.6)
    if not close:
        return ""
    return "did you mean " + " or ".join(f"'{by_folded[item]}'" for item in close) + "?"


def listed(names: Iterable[object], most: int = 12) -> str:
    """Return names joined by commas, cut off after ``most`` with the number left out."""
    shown = [str(name) for name in names]
    rest = len(shown) - most
    return ", ".join(shown[:most]) + (f" and {rest} more" if rest > 0 else "")
