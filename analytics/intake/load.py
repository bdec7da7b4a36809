"""From exports to records: every step of intake, in order."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from itertools import groupby
from operator import itemgetter
from pathlib import Path

import numpy as np
import pandas as pd

from analytics.definitions.checks import ClinicWindows
from analytics.definitions.protocol import Protocol
from analytics.errors import ExportFileError, RecordsError
from analytics.intake import accounts
from analytics.intake.ages import derive_births
from analytics.intake.amend import (
    amend_unreadable,
    flag_amendments,
    leave_out_impossible,
    set_aside_incomplete,
    tell_incomplete,
    tell_rows,
)
from analytics.intake.canonical import build_tables, prove_feet
from analytics.intake.course import Frame
from analytics.intake.gathered import OWN_COLUMNS, Gathered, gather, merge_facts
from analytics.intake.identity import check_key
from analytics.intake.ledger import Ledger
from analytics.intake.map_types import SourceMap
from analytics.intake.merge import Merged
from analytics.intake.records import Records
from analytics.intake.screen import Screened, screen, set_aside_departures
from analytics.intake.submission import read_submissions


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
    """

    extracted_on: date
    clinics: pd.DataFrame | None = None
    started_on: date | None = None
    protocol: Protocol = Protocol()


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
    secret = check_key(key)
    known = frozenset(programme.clinics["clinic"]) if programme.clinics is not None else frozenset()
    submissions = [
        part
        for source_map, same in groupby(sources, key=itemgetter(1))
        for part in read_submissions(
            [path for path, _ in same], source_map, key=secret, clinics=known
        )
    ]
    gathered = gather(submissions)
    merged = {table: merge_facts(gathered, table) for table in gathered.facts}
    frame = Frame(programme.protocol, programme.extracted_on, programme.started_on)
    facts = {table: part.records for table, part in merged.items()}
    facts["departures"], gone = set_aside_departures(facts["departures"], frame, gathered)
    facts["children"], from_ages = derive_births(facts["children"])
    facts["children"], off_limits = leave_out_impossible(facts["children"], "children")
    visits, off_limits_visits = leave_out_impossible(
        set_aside_incomplete(gathered.visits, gathered.troubles), "visits"
    )
    screened = screen(visits, facts, frame, ClinicWindows())
    pieces = accounts.build_pieces(screened.pieces, _other_pieces(gathered, gone), gathered.rows)
    amended = [amend_unreadable(gathered.troubles), off_limits, off_limits_visits]
    flags = [
        tell_rows(gathered.rows),
        tell_incomplete(visits, gathered.troubles),
        gone,
        *(flag_amendments(part, gathered) for part in amended),
        *(_flag_conflicts(part, gathered, table) for table, part in merged.items()),
        *screened.flags,
    ]
    ledger = Ledger(
        rows=accounts.build_rows(pieces, gathered.rows),
        pieces=pieces.drop(columns="seq"),
        amendments=accounts.build_amendments(
            [*amended, from_ages, *_fillings(screened, merged)], gathered.rows
        ),
        flags=accounts.build_flags(flags, gathered.rows),
    )
    ledger.balance()
    tables = build_tables(screened, facts, gathered, programme.clinics)
    if tables["children"].empty:
        raise RecordsError(
            "no row of the exports can be used",
            allowed="at least one record that passes the hard rules",
            todo="look at the records to fix: talipes check",
        )
    prove_feet(tables)
    return Records(
        **tables,
        ledger=ledger,
        sources=tuple(source for part in submissions for source in part.sources),
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


def _other_pieces(gathered: Gathered, gone: pd.DataFrame) -> pd.DataFrame:
    """Return a piece for each row without a visit, and for each departure set aside."""
    rows = gathered.rows
    visited = np.zeros(len(rows), dtype=bool)
    visited[gathered.visits["seq"].to_numpy(dtype=np.int64)] = True
    seq = np.flatnonzero(~visited)
    first = pd.Series(np.arange(len(rows))).groupby(rows["child"].array).transform("min")
    first = first.reindex(range(len(rows))).to_numpy(dtype=float, na_value=np.nan)
    stands = first[seq]
    into = np.where(np.isnan(stands) | (stands == seq), -1, stands)
    bare = pd.DataFrame(
        {"seq": seq, "piece": "", "table": "children", "into": into.astype(np.int64),
         "reason": rows["reason"].array.take(seq)}
    )  # fmt: skip
    left = pd.DataFrame(
        {"seq": gone["seq"], "piece": "departure", "table": "departures", "into": -1,
         "reason": gone["rule"]}
    )  # fmt: skip
    texts = dict.fromkeys(("piece", "table", "reason"), "string")
    return pd.concat([bare.astype(texts), left.astype(texts)], ignore_index=True)


def _flag_conflicts(part: Merged, gathered: Gathered, table: str) -> pd.DataFrame:
    """Return a soft flag where rows say different things of one child, foot or departure."""
    told = part.conflicts[~part.conflicts["column"].isin([*OWN_COLUMNS])]
    if told.empty:
        return pd.DataFrame()
    standing = _standing(part, told["at"].to_numpy())
    seq = standing["seq"].to_numpy(dtype=np.int64)
    return pd.DataFrame(
        {
            "seq": seq,
            "table": table,
            "clinic": gathered.rows["clinic"].array.take(seq),
            "child": standing["child"].array,
            "side": standing["side"].array if "side" in standing else pd.NA,
            "rule": "conflict",
            "severity": "soft",
            "found": (told["column"].astype("string") + "=" + told["found"]).array,
        }
    )


def _standing(part: Merged, at: np.ndarray) -> pd.DataFrame:
    return part.records.loc[at]


def _fillings(screened: Screened, merged: dict[str, Merged]) -> list[pd.DataFrame]:
    """Return an amendment for each gap of a visit that a repeated submission filled."""
    filled = screened.filled
    return [filled.assign(table="visits", before="", rule="duplicate")] if len(filled) else []
