"""The register of hypotheses: what was stated on a cohort, when, in an order nobody can change.

One line of JSON for each statement, only ever added to. The hash of a line is over the line and
the hash of the line before it, so that a line changed or taken out later is noticed.
"""

from __future__ import annotations

import fcntl
import hashlib
import json
from collections.abc import Mapping
from dataclasses import asdict, dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from analytics.definitions.hypotheses import Hypothesis
from analytics.errors import OutputError, RecordsError

#: Stands beside the settings file unless another is named.
REGISTER = "hypotheses.jsonl"

_FIRST = "0" * 64


@dataclass(frozen=True)
class Registered:
    """A hypothesis in the register.

    Parameters
    ----------
    entry
        Its line: number, stated_at, statement, cohort, previous, hash.
    n_on_cohort
        How many different hypotheses have been stated on this cohort, this one among them.
    is_new
        Whether this call added it.
    """

    entry: Mapping[str, Any]
    n_on_cohort: int
    is_new: bool


def register(file: Path, hypothesis: Hypothesis, *, cohort: str) -> Registered:
    """Add a hypothesis to the register, unless the same was stated on the same cohort before.

    Parameters
    ----------
    file
        The register; made where it does not exist.
    hypothesis
        As stated.
    cohort
        What tells this cohort from every other: a hash of exports, maps, windows and cut-off.

    Raises
    ------
    OutputError
        When the file cannot be written.
    RecordsError
        When a line was changed or taken out since it was written.
    """
    try:
        with file.open("a+", encoding="utf-8", newline="\n") as stream:
            # Two notebooks at once must not both write after the same line.
            fcntl.flock(stream, fcntl.LOCK_EX)
            stream.seek(0)
            entries = read_entries(stream.read(), where=str(file))
            own = [entry for entry in entries if entry["cohort"] == cohort]
            statement = json.loads(json.dumps(asdict(hypothesis)))
            known = [entry for entry in own if entry["statement"] == statement]
            if known:
                return Registered(known[0], len(own), is_new=False)
            previous = entries[-1]["hash"] if entries else _FIRST
            entry = {
                "number": len(entries) + 1,
                "stated_at": datetime.now(UTC).isoformat(timespec="seconds"),
                "statement": statement,
                "cohort": cohort,
                "previous": previous,
            }
            entry |= {"hash": _hash(entry)}
            stream.write(json.dumps(entry, ensure_ascii=False) + "\n")
    except OSError as error:
        raise OutputError(
            f"the register of hypotheses cannot be written: {error.strerror or error}",
            where=str(file),
            allowed="a file in a folder that may be written",
            todo="name another with the parameter 'register'",
        ) from error
    return Registered(entry, len(own) + 1, is_new=True)


def read_entries(text: str, *, where: str) -> list[dict[str, Any]]:
    """Return the lines of a register in order; raises ``RecordsError`` at one that was changed."""
    entries: list[dict[str, Any]] = []
    for number, line in enumerate(text.splitlines(), start=1):
        previous = entries[-1]["hash"] if entries else _FIRST
        try:
            entry = json.loads(line)
            told = entry.pop("hash")
            is_whole = entry["previous"] == previous and told == _hash(entry)
        except (ValueError, KeyError, TypeError, AttributeError):
            is_whole = False
        if not is_whole:
            raise RecordsError(
                f"line {number} of the register of hypotheses was changed after it was written",
                where=where,
                allowed="lines as this program wrote them, none changed, moved or taken out",
                todo="restore the file from a copy; what was stated cannot be shown otherwise",
            )
        entries.append(entry | {"hash": told})
    return entries


def _hash(entry: Mapping[str, Any]) -> str:
    text = json.dumps(entry, ensure_ascii=False, sort_keys=True)
    return hashlib.sha256(text.encode("utf-8")).hexdigest()
