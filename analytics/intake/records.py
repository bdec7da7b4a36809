"""Records: the canonical tables of all exports together, with the fate of every row."""

from __future__ import annotations

from dataclasses import dataclass

import pandas as pd

from analytics.intake.ledger import Ledger


@dataclass(frozen=True)
class Source:
    """One export that went in.

    Parameters
    ----------
    file
        File name without its folder.
    sha256
        Hash of its bytes.
    n_rows
        Rows read from it.
    source_map
        Name of the source map used.
    map_sha256
        Hash of that map's bytes.
    """

    file: str
    sha256: str
    n_rows: int
    source_map: str
    map_sha256: str


@dataclass(frozen=True)
class Records:
    """The canonical tables (``definitions.columns``), the ledger and the sources.

    Every frame holds its declared columns in order (then any ``extra_`` ones) in nullable types,
    sorted by its key. ``visits`` has further ``file``, ``sheet`` and ``line``: where it came from.
    """

    clinics: pd.DataFrame
    children: pd.DataFrame
    feet: pd.DataFrame
    visits: pd.DataFrame
    departures: pd.DataFrame
    ledger: Ledger
    sources: tuple[Source, ...]
