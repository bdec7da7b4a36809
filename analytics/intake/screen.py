"""Visits through the rules: hard ones by visit, merging, hard ones by course, then soft ones."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from analytics.intake.amend import FLAGGED, flag_visits
from analytics.intake.check import COURSE_RULES, PIECE_RULES, SOFT_RULES, Checked, check, keep
from analytics.intake.course import Course, Frame, choose_visits, order_course
from analytics.intake.gathered import Gathered
from analytics.intake.repeats import Repeats, find_repeats
from analytics.intake.visit_table import join_facts


@dataclass(frozen=True)
class Screened:
    """What the rules left of the visits.

    Parameters
    ----------
    kept
        The visits that stay.
    pieces
        All pieces: ``seq, piece, table, reason, into``.
    flags
        Frames of flags with ``seq``.
    filled
        Gaps filled from a repeated submission: ``seq, column, after``.
    """

    kept: Course
    pieces: pd.DataFrame
    flags: list[pd.DataFrame]
    filled: pd.DataFrame


def screen(visits: pd.DataFrame, facts: dict[str, pd.DataFrame], frame: Frame) -> Screened:
    """Return the visits that stay, with the fate of every piece.

    Parameters
    ----------
    visits
        Pieces in order of submission, with a reason where they are already set aside.
    facts
        Merged children, feet and departures.
    frame
        Days and windows.
    """
    table = join_facts(visits, facts)
    reason = visits["reason"].to_numpy(dtype=object, na_value=None)
    into = np.full(len(visits), -1)
    usable = np.flatnonzero(visits["reason"].isna())
    first = check(order_course(table, usable, frame), PIECE_RULES)
    _set_reasons(reason, first)
    repeats = find_repeats(choose_visits(first.course, first.mask == 0))
    at, stands = repeats.at, repeats.stands_for
    into[at] = np.where(stands == at, -1, visits["seq"].to_numpy()[stands])
    second = check(repeats.course, COURSE_RULES)
    _set_reasons(reason, second)
    reason[at] = reason[stands]
    kept = keep(second.course, second.mask == 0, np.flatnonzero(pd.notna(reason)))
    third = check(kept, SOFT_RULES)
    pieces = visits[["seq", "piece"]].assign(
        table="visits", reason=pd.array(reason, dtype="string"), into=into
    )
    return Screened(
        kept=kept,
        pieces=pieces,
        flags=[*(_flags(part) for part in (first, second, third)), _conflicts(repeats)],
        filled=_filled(repeats),
    )


def _set_reasons(reason: np.ndarray, checked: Checked) -> None:
    """Write the first rule that each visit fails at its place among the pieces."""
    out = checked.mask != 0
    reason[checked.course.at[out]] = checked.reason[out]


def _flags(checked: Checked) -> pd.DataFrame:
    if checked.flags.empty:
        return pd.DataFrame()
    visits = checked.course.show(FLAGGED, checked.flags["at"].to_numpy(dtype=np.int64))
    told = flag_visits(visits, rule="", severity="", found=checked.flags["found"])
    return told.assign(rule=checked.flags["rule"].array, severity=checked.flags["severity"].array)


def _conflicts(repeats: Repeats) -> pd.DataFrame:
    told = repeats.conflicts
    if told.empty:
        return pd.DataFrame()
    found = told["column"].astype("string") + "=" + told["found"]
    visits = repeats.course.table.frame(FLAGGED, told["at"].to_numpy(dtype=np.int64))
    return flag_visits(visits, rule="conflict", severity="soft", found=found)


def _filled(repeats: Repeats) -> pd.DataFrame:
    at = repeats.filled["at"].to_numpy(dtype=np.int64)
    return pd.DataFrame(
        {
            "seq": repeats.course.table.pieces["seq"].to_numpy()[at],
            "column": repeats.filled["column"].array,
            "after": repeats.filled["found"].array,
        }
    )


def set_aside_departures(
    departures: pd.DataFrame, frame: Frame, gathered: Gathered
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Return the departures that can be used, and a hard flag for each of the others.

    Parameters
    ----------
    departures
        Merged departures with ``seq``.
    frame
        Day of the export.
    gathered
        Input rows, for the clinic.

    Returns
    -------
    departures
        Those with a day and a reason, not after the export.
    flags
        ``seq`` and the ledger's columns.
    """
    lacks = departures[["left_on", "why"]].isna().any(axis=1).to_numpy()
    late = (departures["left_on"] > pd.Timestamp(frame.extracted_on)).to_numpy(dtype=bool)
    rule = np.select([lacks, late], ["missing", "R02"], "")
    out = rule != ""
    gone = departures[out]
    seq = gone["seq"].to_numpy(dtype=np.int64)
    days = gone["left_on"].dt.strftime("%Y-%m-%d").fillna("missing")
    flags = pd.DataFrame(
        {
            "seq": seq,
            "table": "departures",
            "clinic": gathered.rows["clinic"].array.take(seq),
            "child": gone["child"].array,
            "on": gone["left_on"].array,
            "rule": rule[out],
            "severity": "hard",
            "found": ("left_on=" + days + ", why=" + gone["why"].fillna("missing")).array,
        }
    )
    return departures[~out], flags
