"""Stretches: from one day of treatment to the next, with the evidence of correction in each.

A cast or a tenotomy is a day of treatment. Whether the foot was corrected before the next one is
decided within the stretch between them, from what was known by then. So what a later export adds
never takes back a correction that an earlier one had found.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date

import numpy as np

from analytics.courses.days import Days
from analytics.courses.segments import (
    NEVER,
    Flags,
    Ints,
    Segments,
    ends,
    first_day,
    latest_index,
)
from analytics.definitions.milestones import CORRECTION
from analytics.definitions.protocol import Protocol


@dataclass(frozen=True)
class Stretches:
    """One entry per stretch, in the order of feet and days.

    Parameters
    ----------
    foot
        Foot of each stretch.
    at
        Its first day, as a place in ``Days``.
    of
        Stretch of each of ``Days``, -1 before the first treatment of a foot.
    day
        That day: a cast or a tenotomy.
    until
        Next day of treatment, else the cut-off.
    is_last
        Whether no further treatment of this foot follows.
    off
        Day on which the foot is first seen out of the cast: after a tenotomy the first visit once
        its shortest time has passed, or the brace; else the first visit. ``NEVER`` when unseen.
    corrected
        Day of correction; ``NEVER`` when the stretch ends without.
    rule
        Place in ``CORRECTION.codes`` of the rule that decided, -1 for none.
    """

    foot: Ints
    at: Ints
    of: Ints
    day: Ints
    until: Ints
    is_last: Flags
    off: Ints
    corrected: Ints
    rule: Ints


@dataclass(frozen=True)
class _Course:
    """Days from the first treatment of each foot on, cut into stretches."""

    index: Ints
    stretch: Segments
    day: Ints
    begun: Ints

    def first(self, where: Flags) -> Ints:
        """Return the first day of each stretch where something holds, else ``NEVER``."""
        return first_day(self.day, where, self.stretch)


def find_stretches(days: Days, *, cut_off: date, protocol: Protocol) -> Stretches:
    """Return the stretches of all feet, each with the correction found in it.

    Parameters
    ----------
    days
        What was found and done on each day.
    cut_off
        Last day of the exports.
    protocol
        Windows in force.
    """
    at = np.flatnonzero(days.is_cast | days.is_tenotomy)
    foot, day = days.foot[at], days.day[at]
    of = _number_days(days, at)
    index = np.flatnonzero(of >= 0)
    course = _Course(index, Segments(of[index], len(at)), days.day[index], day)
    is_last = ends(foot)
    until = np.where(is_last, np.datetime64(cut_off, "D").astype(np.int64), np.roll(day, -1))
    healing = _is_after_tenotomy(days, at, protocol=protocol)
    brace = course.first(days.is_brace_fitting[index])
    opened = course.first(days.is_open_correction[index])
    off = _find_off(course, brace, healing=healing, protocol=protocol)
    held = np.where(healing, off, day)
    evidence = _find_evidence(days, course, off=held, brace=brace, opened=opened)
    wait = protocol.interruption_days
    corrected, rule = _decide(_confirm(evidence, until=np.minimum(until, opened), wait=wait))
    return Stretches(foot, at, of, day, until, is_last, off, corrected, rule)


def _number_days(days: Days, at: Ints) -> Ints:
    """Return the stretch of each day, of which ``at`` holds the first ones."""
    begun = np.zeros(len(days.day), dtype=np.int64)
    begun[at] = 1
    of = np.cumsum(begun) - 1
    foot = np.append(days.foot[at], -1)[of]
    return np.where(foot == days.foot, of, -1)


def _is_after_tenotomy(days: Days, at: Ints, *, protocol: Protocol) -> Flags:
    """Return whether a stretch begins with the cast, or the day, of a tenotomy that still heals."""
    tenotomy = latest_index(days.is_tenotomy, days.by_foot, at)
    since = days.day[at] - days.day[np.maximum(tenotomy, 0)]
    return (tenotomy >= 0) & (since <= protocol.new_series_days)


def _find_off(course: _Course, brace: Ints, *, healing: Flags, protocol: Protocol) -> Ints:
    # A visit a few days after a tenotomy looks at the cast; it does not take it off.
    held = np.where(healing, protocol.final_cast_shortest, 1)
    late = course.day >= (course.begun + held)[course.stretch.of]
    return np.minimum(course.first(late), brace)


def _find_evidence(
    days: Days, course: _Course, *, off: Ints, brace: Ints, opened: Ints
) -> dict[str, Ints]:
    """Return the day of each kind of evidence in each stretch, ``NEVER`` where there is none.

    What is recorded on the day of the last cast counts (``in_cast``); an examination on
    that day does not, because it speaks of the foot for which a further cast was thought needed.
    """
    begun = course.begun
    out = course.day > begun[course.stretch.of]
    recorded = days.is_recorded_corrected[course.index]
    examined = days.is_examined_corrected[course.index] & (course.day >= off[course.stretch.of])
    found = {
        "in_cast": course.first(recorded & ~out),
        "recorded": course.first(recorded & out),
        "examination": course.first(examined & out),
        "brace_fitting": brace,
    }
    for name in ("in_cast", "recorded"):
        found[name] = np.where(found[name] < NEVER, np.maximum(found[name], off), NEVER)
    # Recorded in the cast of a tenotomy, it holds from the day the cast is off.
    moved = (found["in_cast"] < NEVER) & (found["in_cast"] > begun)
    found["recorded"] = np.where(
        moved, np.minimum(found["recorded"], found["in_cast"]), found["recorded"]
    )
    found["in_cast"] = np.where(moved, NEVER, found["in_cast"])
    return {
        name: np.where((day <= brace) & (day < opened), day, NEVER) for name, day in found.items()
    }


def _confirm(found: dict[str, Ints], *, until: Ints, wait: int) -> dict[str, Ints]:
    """Return the evidence that stands, by rule.

    A foot that gets another cast, a tenotomy or an open operation within the interruption window
    was not finished, whatever its angles. So an examination, or a word written in the cast, stands
    once a brace was fitted or the window has passed; a foot recorded as corrected out of the cast
    is so at once.
    """
    braced = found["brace_fitting"] < NEVER
    in_cast, recorded, examined = (found[n] for n in ("in_cast", "recorded", "examination"))
    stands = braced | (recorded < NEVER) | (until - in_cast > wait)
    in_cast = np.where(stands, in_cast, NEVER)
    examined = np.where(braced | (until - examined > wait), examined, NEVER)
    # What is written long after an examination had settled it does not move the day.
    late = (examined < NEVER) & (recorded > examined + wait)
    recorded = np.minimum(in_cast, np.where(late, NEVER, recorded))
    return {
        "recorded": recorded, "examination": examined, "brace_fitting": found["brace_fitting"]
    }  # fmt: skip


def _decide(confirmed: dict[str, Ints]) -> tuple[Ints, Ints]:
    """Return day and place of the first rule in the order of preference that found a day."""
    table = np.stack([confirmed[code] for code in CORRECTION.codes])
    known = table < NEVER
    place = np.argmax(known, axis=0)
    rule = np.where(known.any(axis=0), place, -1)
    return np.where(rule >= 0, table[place, np.arange(table.shape[1])], NEVER), rule
