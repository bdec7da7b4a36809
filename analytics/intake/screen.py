"""Visits through the rules: hard ones by visit, merging, hard ones by course, then soft ones."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from analytics.intake.amend import FLAGGED, flag_visits, tell_values
from analytics.intake.check import COURSE_RULES, PIECE_RULES, SOFT_RULES, Checked, check, keep
from analytics.intake.course import Course, Frame, choose_visits, order_course
from analytics.intake.frames import Columns, take_places
from analytics.intake.gathered import Gathered
from analytics.intake.repeats import Repeats, find_repeats
from analytics.intake.texts import categorise, coded_column, fill_texts, from_codes, repeat_text
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
        Columns of flags with ``seq``.
    filled
        Amendments of gaps that a repeated submission filled.
    """

    kept: Course
    pieces: pd.DataFrame
    flags: list[Columns]
    filled: Columns


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
    reason = _Reasons.of(coded_column(visits["reason"]))
    into = np.full(len(visits), -1)
    first = check(order_course(table, np.flatnonzero(reason.codes < 0), frame), PIECE_RULES)
    reason.add(first)
    repeats = find_repeats(choose_visits(first.course, first.mask == 0))
    at, stands = repeats.at, repeats.stands_for
    into[at] = np.where(stands == at, -1, visits["seq"].to_numpy()[stands])
    second = check(repeats.course, COURSE_RULES)
    reason.add(second)
    reason.codes[at] = reason.codes[stands]
    kept = keep(second.course, second.mask == 0, np.flatnonzero(reason.codes >= 0))
    third = check(kept, SOFT_RULES)
    pieces = {
        "seq": visits["seq"].array,
        "piece": coded_column(visits["piece"]),
        "table": repeat_text("visits", len(visits)),
        "reason": from_codes(reason.codes, [*reason.texts]),
        "into": into,
    }
    return Screened(
        kept=kept,
        pieces=pd.DataFrame(pieces, copy=False),
        flags=[*(_flags(part) for part in (first, second, third)), _conflicts(repeats)],
        filled=_filled(repeats),
    )


@dataclass(frozen=True)
class _Reasons:
    """Why pieces are set aside: a place in ``texts`` for each, -1 for none."""

    codes: np.ndarray
    texts: dict[str, int]

    @classmethod
    def of(cls, reason: pd.Categorical) -> _Reasons:
        """Return reasons that can be added to."""
        rules = (*PIECE_RULES, *COURSE_RULES)
        texts = dict.fromkeys((*reason.categories, *rules))
        return cls(reason.codes.astype(np.int16), {text: n for n, text in enumerate(texts)})

    def add(self, checked: Checked) -> None:
        """Write the first rule that each visit fails at its place among the pieces."""
        out = np.flatnonzero(checked.mask)
        code = np.array([self.texts[rule] for rule in checked.rules], dtype=np.int16)
        self.codes[checked.course.at[out]] = code[checked.first_rule(out)]


def _flags(checked: Checked) -> Columns:
    told = {name: column for name, column in checked.flags.items() if name != "at"}
    return flag_visits(checked.course.show(FLAGGED, checked.flags["at"]), **told)


def _conflicts(repeats: Repeats) -> Columns:
    told = repeats.conflicts
    visits = repeats.course.table.columns(FLAGGED, told["at"].to_numpy(dtype=np.int64))
    found = tell_values(told["column"], told["found"])
    return flag_visits(visits, rule="conflict", severity="soft", found=found)


def _filled(repeats: Repeats) -> Columns:
    at = repeats.filled["at"].to_numpy(dtype=np.int64)
    n = len(at)
    return {
        "seq": repeats.course.table.pieces["seq"].to_numpy()[at],
        "table": repeat_text("visits", n),
        "column": repeats.filled["column"].array,
        "before": repeat_text("", n),
        "after": repeats.filled["found"].array,
        "rule": repeat_text("duplicate", n),
    }


def set_aside_departures(
    departures: pd.DataFrame, frame: Frame, gathered: Gathered
) -> tuple[pd.DataFrame, Columns]:
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
    left, why = departures["left_on"].array, departures["why"]
    lacks = left.isna() | why.array.isna()
    late = np.asarray(left > pd.Timestamp(frame.extracted_on), dtype=bool)
    rule = np.select([lacks, late], [0, 1], -1)
    out = np.flatnonzero(rule >= 0)
    gone = take_places(departures, out)
    seq = gone["seq"].to_numpy(dtype=np.int64)
    days = gone["left_on"].dt.strftime("%Y-%m-%d").fillna("missing")
    said = zip(days, fill_texts(coded_column(gone["why"]), "missing"), strict=True)
    flags = {
        "seq": seq,
        "table": repeat_text("departures", len(seq)),
        "clinic": gathered.rows["clinic"].array.take(seq),
        "child": gone["child"].array,
        "on": gone["left_on"].array,
        "rule": from_codes(rule[out], ["missing", "R02"]),
        "severity": repeat_text("hard", len(seq)),
        "found": categorise([f"left_on={day}, why={word}" for day, word in said]),
    }
    return departures[rule < 0], flags
