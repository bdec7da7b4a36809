"""The first records of an export as a proposed map reads them, for a person to compare."""

from __future__ import annotations

import tomllib
from dataclasses import replace
from pathlib import Path

import pandas as pd

from analytics.errors import AnalyticsError
from analytics.intake.draft_values import one_line
from analytics.intake.map_parse import parse_map
from analytics.intake.submission import Door, Submission, read_submissions

#: Records that are shown.
_MOST_SHOWN = 5

#: Pseudonyms are not shown, so that no secret is needed here.
_NO_SECRET = b"nothing is shown that this key made"

_UNSHOWN = ("row", "piece", "reason", "child", "link", "precision_from_age")


def preview_records(path: Path, text: str) -> list[str]:
    """Return comment lines with the first records of an export.

    Parameters
    ----------
    path
        The export.
    text
        The proposed map, as TOML; a map that cannot be used yet has its reason told instead.
    """
    try:
        proposed = parse_map(tomllib.loads(text), where=path.name)
        tried = replace(proposed, doubtful=(), unmapped_codes="ledger")
        part = read_submissions([path], tried, Door(_NO_SECRET))[0]
    except AnalyticsError as error:
        return ["# The first records cannot be shown yet: " + " ".join(error.found.split())]
    shown = [*_tell(part, part.facts["children"], "child"), *_tell(part, part.visits, "visit")]
    return ["# The first records as this map reads them; compare them with the export.", *shown]


def _tell(part: Submission, table: pd.DataFrame, kind: str) -> list[str]:
    names = [name for name in table.columns if name not in _UNSHOWN]
    own = [name for name in names if name != "clinic"]
    said = table[table[own].notna().any(axis=1)].sort_values("row", kind="stable")
    return [
        f"#   line {part.rows['line'].iloc[int(row['row'])]}, {kind}: "
        + "; ".join(f"{name} = {_plain(row[name])}" for name in names if pd.notna(row[name]))
        for row in said.head(_MOST_SHOWN).to_dict("records")
    ]


def _plain(value: object) -> str:
    if isinstance(value, pd.Timestamp):
        return value.strftime("%Y-%m-%d")
    return f"{value:g}" if isinstance(value, float) else one_line(str(value))
