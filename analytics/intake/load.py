"""From exports to records: every step of intake, in order."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import date
from itertools import groupby
from operator import itemgetter
from pathlib import Path

import pandas as pd

from analytics.definitions.protocol import Protocol
from analytics.errors import ExportFileError
from analytics.intake.close import close
from analytics.intake.course import Frame
from analytics.intake.gathered import gather
from analytics.intake.identity import check_key
from analytics.intake.ledger import no_corrections
from analytics.intake.map_types import SourceMap
from analytics.intake.records import Records
from analytics.intake.settle import settle
from analytics.intake.submission import Door, read_submissions


@dataclass(frozen=True)
class Programme:
    """What intake has to know of a programme.

    Parameters
    ----------
    extracted_on
        Day on which the exports were made; a later visit is a fault.
    clinics
        The clinics (``intake.clinics.read_clinics``); nothing takes every clinic as it comes.
    started_on
        First day of the programme; nothing when it is not known.
    protocol
        Clinical windows.
    corrections
        Corrections that came back from clinics (``intake.corrections.read_corrections``).
    """

    extracted_on: date
    clinics: pd.DataFrame | None = None
    started_on: date | None = None
    protocol: Protocol = Protocol()
    corrections: pd.DataFrame = field(default_factory=no_corrections)


def load(sources: Sequence[tuple[Path, SourceMap]], *, key: str, programme: Programme) -> Records:
    """Return the records of exports, with the fate of every row.

    Parameters
    ----------
    sources
        Exports, each with its source map. Their order decides which of two submissions of one
        record stands.
    key
        Secret of the pseudonyms; it is used and not kept.
    programme
        Clinics, days and windows.

    Raises
    ------
    ExportFileError, SourceMapError
        When an export cannot be read, or its map and it disagree.
    RecordsError
        When no row can be used.
    BalanceError
        When the books do not add up: a fault of this program.
    """
    refuse_same_file(sources)
    known = frozenset(programme.clinics["clinic"]) if programme.clinics is not None else frozenset()
    door = Door(check_key(key), known, programme.corrections)
    submissions = [
        part
        for source_map, same in groupby(sources, key=itemgetter(1))
        for part in read_submissions([path for path, _ in same], source_map, door)
    ]
    gathered = gather(submissions)
    frame = Frame(programme.protocol, programme.extracted_on, programme.started_on)
    sources_read = tuple(source for part in submissions for source in part.sources)
    return close(
        [settle(gathered, frame, programme.corrections)],
        sources_read,
        clinics=programme.clinics,
        corrections=programme.corrections,
    )


def refuse_same_file(sources: Sequence[tuple[Path, SourceMap]]) -> None:
    """Raise when no export is named, or two that the ledger could not tell apart.

    Raises
    ------
    ExportFileError
        Naming the file.
    """
    if not sources:
        raise ExportFileError("no export is named", todo="add one to the settings")
    named = pd.Series([f"{Path(path).name}|{how.file.sheet}" for path, how in sources])
    doubled = named[named.duplicated()]
    if len(doubled):
        raise ExportFileError(
            f"two exports are called '{doubled.iloc[0].split('|')[0]}'",
            allowed="one name for each file and sheet, so that a line can be found again",
            todo="rename one of them",
        )
