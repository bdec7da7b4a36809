"""From gathered rows to settled records: every step that needs no more than whole children.

What is settled here of some children does not depend on the others, so exports of any size can be
settled part by part, in any order; ``intake.close`` puts the parts together.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from analytics.intake import accounts
from analytics.intake.ages import derive_births
from analytics.intake.amend import (
    amend_unreadable,
    flag_amendments,
    leave_out_impossible,
    set_aside_incomplete,
    tell_incomplete,
    tell_rows,
    tell_values,
)
from analytics.intake.canonical import build_tables, prove_feet
from analytics.intake.check_clinics import count_clinics
from analytics.intake.correct import amend_corrected, confirm_faults
from analytics.intake.course import Frame
from analytics.intake.doubles import mark_doubles
from analytics.intake.frames import Columns, stack_frames, with_columns
from analytics.intake.gathered import OWN_COLUMNS, Gathered, merge_facts
from analytics.intake.ledger import prove_fates
from analytics.intake.merge import Merged
from analytics.intake.screen import screen, set_aside_departures
from analytics.intake.texts import coded_column, repeat_text, share_texts
from analytics.intake.totals import sum_books

#: Books of the ledger that are settled part by part.
BOOKS = ("rows", "pieces", "amendments", "flags")


@dataclass(frozen=True)
class Settled:
    """Records of some children, all of each; texts of tables, books and doubles are coded.

    Parameters
    ----------
    tables
        Canonical tables, each sorted by its key.
    books
        Books of the ledger by name; ``rows`` and ``pieces`` have ``order`` too, the place of the
        row among all exports. Faults that a clinic confirmed as right are not in ``flags``.
    doubles
        A flag for the first visit of each child that could have a second number, with what it
        would be known by (``doubles.EVIDENCE``).
    tried
        Corrections that were tried, confirmations of faults among them.
    counts
        What the questions to clinics count (``check_clinics.count_clinics``).
    sums
        What the books come to (``totals.SUMS``).
    """

    tables: dict[str, pd.DataFrame]
    books: dict[str, pd.DataFrame]
    doubles: pd.DataFrame
    tried: pd.DataFrame
    counts: dict[str, pd.DataFrame]
    sums: dict[str, pd.DataFrame]


def settle(gathered: Gathered, frame: Frame, corrections: pd.DataFrame) -> Settled:
    """Return the records of gathered rows.

    Parameters
    ----------
    gathered
        Rows of some children, all of each.
    frame
        Days and windows.
    corrections
        All corrections of the programme.

    Raises
    ------
    BalanceError
        When records do not belong together, or a row has no fate or two: a fault of this program.
    """
    gathered = _share(gathered)
    merged = {table: merge_facts(gathered, table) for table in gathered.facts}
    facts = {table: part.records for table, part in merged.items()}
    facts["departures"], gone = set_aside_departures(facts["departures"], frame, gathered)
    facts["children"], from_ages = derive_births(facts["children"])
    facts["children"], off_limits = leave_out_impossible(facts["children"], "children")
    visits, off_limits_visits = leave_out_impossible(
        set_aside_incomplete(gathered.visits, gathered.troubles), "visits"
    )
    screened = screen(visits, facts, frame)
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
    amendments = [amend_corrected(gathered.tried), *amended, from_ages, screened.filled]
    tables = build_tables(screened, facts, gathered)
    prove_feet(tables)
    faults, confirmed = confirm_faults(accounts.build_flags(flags, gathered.rows), corrections)
    books = {
        "rows": accounts.build_rows(pieces, gathered.rows),
        "pieces": accounts.with_order(pieces, gathered.rows),
        "amendments": accounts.build_amendments(amendments, gathered.rows),
        "flags": faults,
    }
    prove_fates(books["rows"])
    return Settled(
        tables=tables,
        books=books,
        doubles=mark_doubles(screened.kept, gathered.rows),
        tried=stack_frames([gathered.tried.drop(columns="seq"), confirmed]),
        counts=count_clinics(screened.kept, facts["children"]),
        sums=sum_books(books, tables["visits"]),
    )


#: Columns of one set of texts in all that is gathered.
_SHARED = ("child", "side", "clinic", "file", "sheet")


def _share(gathered: Gathered) -> Gathered:
    """Return gathered rows in which a code of a child, side or clinic is the same everywhere."""
    frames = {"rows": gathered.rows, "visits": gathered.visits, **gathered.facts}
    for column in _SHARED:
        own = [name for name, frame in frames.items() if column in frame]
        shared = share_texts([coded_column(frames[name][column]) for name in own])
        for name, texts in zip(own, shared, strict=True):
            frames[name] = with_columns(frames[name], **{column: texts})
    facts = {name: frames[name] for name in gathered.facts}
    return replace(gathered, rows=frames["rows"], visits=frames["visits"], facts=facts)


def _other_pieces(gathered: Gathered, gone: Columns) -> pd.DataFrame:
    """Return a piece for each row without a visit, and for each departure set aside."""
    rows = gathered.rows
    visited = np.zeros(len(rows), dtype=bool)
    visited[gathered.visits["seq"].to_numpy(dtype=np.int64)] = True
    seq = np.flatnonzero(~visited)
    child = rows["child"].array
    first = np.full(len(child.categories) + 1, -1)  # the last place is that of no child
    places = np.flatnonzero(child.codes >= 0)[::-1]
    first[child.codes[places]] = places
    stands = first[child.codes[seq]]
    n = len(gone["seq"])
    bare = {
        "seq": seq,
        "piece": repeat_text("", len(seq)),
        "table": repeat_text("children", len(seq)),
        "into": np.where(stands == seq, -1, stands),
        "reason": coded_column(rows["reason"]).take(seq),
    }
    left = {
        "seq": gone["seq"],
        "piece": repeat_text("departure", n),
        "table": repeat_text("departures", n),
        "into": np.full(n, -1),
        "reason": gone["rule"],
    }
    return stack_frames([pd.DataFrame(bare), pd.DataFrame(left)])


def _flag_conflicts(part: Merged, gathered: Gathered, table: str) -> Columns:
    """Return a soft flag where rows say different things of one child, foot or departure."""
    told = part.conflicts[~part.conflicts["column"].isin([*OWN_COLUMNS])]
    if told.empty:
        return {}
    at = part.records.index.get_indexer(told["at"].to_numpy())
    standing = {n: part.records[n].array.take(at) for n in ("seq", "child", "side")
                if n in part.records}  # fmt: skip
    return {
        **standing,
        "table": repeat_text(table, len(at)),
        "clinic": gathered.rows["clinic"].array.take(np.asarray(standing["seq"])),
        "rule": repeat_text("conflict", len(at)),
        "severity": repeat_text("soft", len(at)),
        "found": tell_values(told["column"], told["found"]),
    }
