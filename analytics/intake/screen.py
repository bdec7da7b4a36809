"""Visits through the rules: hard ones by visit, merging, hard ones by course, then soft ones."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from analytics.definitions.columns import EXTRA_PREFIX, KEYS, TABLES
from analytics.intake.amend import flag_visits
from analytics.intake.check import COURSE_RULES, PIECE_RULES, SOFT_RULES, Checked, check, keep
from analytics.intake.course import Course, Frame, build_course, sort_course
from analytics.intake.gathered import Gathered
from analytics.intake.merge import Merged, merge_rows


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
    visits = visits.reset_index(drop=True).assign(id=lambda part: np.arange(len(part)))
    reason = visits["reason"].to_numpy(dtype=object, na_value=None)
    into = np.full(len(visits), -1)
    first = check(build_course(visits[visits["reason"].isna()], facts, frame), PIECE_RULES)
    _set_reasons(reason, first)
    sound = _in_order_of_submission(first.course.visits, first.mask == 0)
    merged = _merge_visits(sound)
    sound_id = sound["id"].to_numpy()
    stands = sound_id[merged.stands_for]
    into[sound_id] = np.where(stands == sound_id, -1, visits["seq"].to_numpy()[stands])
    second = check(sort_course(merged.records, frame), COURSE_RULES)
    _set_reasons(reason, second)
    reason[sound_id] = reason[stands]
    out = np.array([code is not None for code in reason], dtype=bool)
    kept = keep(second.course, second.mask == 0, visits.loc[out, ["child", "side", "visited_on"]])
    third = check(kept, SOFT_RULES)
    pieces = visits[["seq", "piece"]].assign(
        table="visits", reason=pd.array(reason, dtype="string"), into=into
    )
    return Screened(
        kept=kept,
        pieces=pieces,
        flags=[
            *(_flags(part) for part in (first, second, third)),
            _conflicts(merged, sound),
        ],
        filled=_filled(merged, sound),
    )


def _in_order_of_submission(visits: pd.DataFrame, chosen: np.ndarray) -> pd.DataFrame:
    at = np.flatnonzero(chosen)
    order = np.argsort(visits["id"].to_numpy()[at], kind="stable")
    return visits.iloc[at[order]].reset_index(drop=True)


def _merge_visits(sound: pd.DataFrame) -> Merged:
    key = KEYS["visits"]
    names = [column.name for column in TABLES["visits"] if column.name in sound]
    extras = [name for name in sound.columns if name.startswith(EXTRA_PREFIX)]
    return merge_rows(sound, key, [name for name in (*names, *extras) if name not in key])


def _set_reasons(reason: np.ndarray, checked: Checked) -> None:
    """Write the first rule that each visit fails at its place among the pieces."""
    out = checked.mask != 0
    reason[checked.course.visits["id"].to_numpy()[out]] = checked.reason[out]


def _flags(checked: Checked) -> pd.DataFrame:
    if checked.flags.empty:
        return pd.DataFrame()
    visits = checked.course.visits.iloc[checked.flags["at"].to_numpy(dtype=np.int64)]
    told = flag_visits(visits, rule="", severity="", found=checked.flags["found"])
    return told.assign(rule=checked.flags["rule"].array, severity=checked.flags["severity"].array)


def _conflicts(merged: Merged, sound: pd.DataFrame) -> pd.DataFrame:
    told = merged.conflicts
    if told.empty:
        return pd.DataFrame()
    found = told["column"].astype("string") + "=" + told["found"]
    at = told["at"].to_numpy(dtype=np.int64)
    return flag_visits(sound.iloc[at], rule="conflict", severity="soft", found=found)


def _filled(merged: Merged, sound: pd.DataFrame) -> pd.DataFrame:
    at = merged.filled["at"].to_numpy(dtype=np.int64)
    return pd.DataFrame(
        {
            "seq": sound["seq"].to_numpy()[at],
            "column": merged.filled["column"].array,
            "after": merged.filled["found"].array,
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
