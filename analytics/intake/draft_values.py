"""What the values of an unknown export show: date order with its proof, codes with counts."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
import pandas as pd

from analytics.intake.dates import read_dates
from analytics.intake.draft_words import CODES, MISSING, plain_words
from analytics.intake.map_types import DateSettings

#: Formats that are tried, day-first beside month-first.
_FORMATS = (
    "YYYY-MM-DD", "YYYY/MM/DD", "YYYYMMDD",
    "DD/MM/YYYY", "MM/DD/YYYY", "DD-MM-YYYY", "MM-DD-YYYY", "DD.MM.YYYY",
    "DD/MM/YY", "MM/DD/YY", "DD MON YYYY", "DD-MON-YYYY", "DD-MON-YY", "MON YYYY",
    "MM/YYYY", "YYYY-MM",
)  # fmt: skip


#: Texts that fit no format above this share make the format doubtful; fewer are slips of the hand.
MOST_UNREAD = 0.02


#: A column of which fewer texts are dates of any format is no column of dates.
LEAST_DATES = 0.8


@dataclass(frozen=True)
class DateFormat:
    """A format that fits a column.

    Parameters
    ----------
    formats
        Formats that together read every value.
    proof
        A value that only these read, or why there is none.
    is_doubtful
        Whether another reading fits as well, or some values fit no format.
    """

    formats: tuple[str, ...]
    proof: str
    is_doubtful: bool


def one_line(text: str) -> str:
    """Return a text that can stand in a comment: no line end, signs that nobody sees as codes."""
    kept = " ".join(text.split())
    return "".join(sign if sign.isprintable() else f"\\u{ord(sign):04x}" for sign in kept)


def filled_texts(cells: pd.Series) -> pd.Series:
    """Return the distinct texts of a column that say something, with their counts."""
    counts = cells.value_counts()
    said = [plain_words(text) not in _PLAIN_MISSING and n > 0 for text, n in counts.items()]
    return counts[said]


_PLAIN_MISSING = {plain_words(text) for text in MISSING}


def propose_dates(texts: Iterable[object]) -> DateFormat | None:
    """Return the formats of a column of dates; nothing where most values are no dates.

    Parameters
    ----------
    texts
        Distinct texts, or dates stored as such.
    """
    values = [text for text in texts if isinstance(text, str)]
    if not values:
        return DateFormat(("YYYY-MM-DD",), "stored as dates", False)
    held = np.empty(len(values), dtype=object)
    held[:] = values
    fits = {
        layout: ~np.isnat(read_dates(held, (layout,), DateSettings()).days) for layout in _FORMATS
    }
    best = max(fits, key=lambda layout: int(fits[layout].sum()))
    if np.logical_or.reduce([*fits.values()]).mean() < LEAST_DATES:
        return None
    rest = ~fits[best]
    further = [
        layout
        for layout in _FORMATS
        if layout not in (best, _swap(best)) and (fits[layout] & rest).any()
    ]
    covered = np.logical_or.reduce([fits[layout] for layout in (best, *further)])
    n_unread = int((~covered).sum())
    is_doubtful, proof = _prove(held, fits, best)
    if n_unread:
        proof += f"; {n_unread} of {len(values)} texts fit no format"
    too_many = n_unread > MOST_UNREAD * len(values)
    return DateFormat((best, *further), proof, is_doubtful or too_many)


def _prove(texts: np.ndarray, fits: dict[str, np.ndarray], best: str) -> tuple[bool, str]:
    """Return whether day and month could be the other way round, and the proof."""
    twin = _swap(best)
    if twin not in fits or twin == best:
        return False, "no other reading"
    only, only_twin = fits[best] & ~fits[twin], fits[twin] & ~fits[best]
    if only_twin.any():
        return True, f"'{texts[np.flatnonzero(only_twin)[0]]}' fits {twin} alone"
    if not only.any():
        return True, f"every text also fits {twin}"
    return False, f"'{texts[np.flatnonzero(only)[0]]}' fits no other reading"


def _swap(layout: str) -> str:
    return layout.replace("DD", "#").replace("MM", "DD").replace("#", "MM")


def propose_decimal(texts: Iterable[object]) -> str:
    """Return the decimal mark of the numbers; empty where no number has one."""
    counts = {mark: 0 for mark in ",."}
    for text in texts:
        parts = str(text).strip().replace(",", ".").split(".")
        if len(parts) == 2 and all(part.isdigit() for part in parts) and len(parts[1]) < 3:
            counts["," if "," in str(text) else "."] += 1
    return max(counts, key=lambda mark: counts[mark]) if any(counts.values()) else ""


def propose_codes(counts: pd.Series, vocabulary: str) -> tuple[dict[str, list[str]], list[str]]:
    """Return canonical code to texts, and the texts that were not recognised.

    Parameters
    ----------
    counts
        Distinct texts with their counts.
    vocabulary
        Name of the vocabulary; "flag" is yes or no.
    """
    words = CODES["yes_no" if vocabulary == "flag" else vocabulary]
    known = {word: code for code, all_ in words.items() for word in (*all_, code.replace("_", " "))}
    found: dict[str, list[str]] = {}
    strange = []
    for text in map(str, counts.index):
        code = known.get(plain_words(text))
        if code is None:
            strange.append(text)
        else:
            found.setdefault(code, []).append(text)
    return found, strange
