"""Run the rules over visits: a bit mask tells which of them each visit fails."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from analytics.definitions.checks import CHECKS
from analytics.intake import check_courses as courses
from analytics.intake import check_order as order
from analytics.intake import check_scores as scores
from analytics.intake.course import Course, choose_visits
from analytics.intake.findings import Rule
from analytics.intake.frames import Columns
from analytics.intake.texts import categorise, fold_codes, from_codes

#: Hard rules that one visit answers by itself: asked before anything is merged.
PIECE_RULES: dict[str, Rule] = {
    "R02": order.find_days_outside,
    "R05": order.find_unaffected_foot,
    "R06": scores.find_impossible_scores,
    "R19": courses.find_impossible_hours,
    "R29": order.find_visits_after_death,
}

#: Hard rules that need the whole course.
COURSE_RULES: dict[str, Rule] = {
    "R01": order.find_broken_order,
    "R03": courses.find_impossible_age,
    "R12": courses.find_impossible_casts,
    "R20": courses.find_early_relapse,
}

#: Soft rules: asked of what the hard ones leave.
SOFT_RULES: dict[str, Rule] = {
    "R03a": courses.find_late_start,
    "R03b": courses.find_first_days_start,
    "R07": scores.find_sound_start,
    "R08": scores.find_uncorrected_at_brace,
    "R09": scores.find_rise_between_casts,
    "R10": scores.find_early_tenotomy,
    "R11": order.find_odd_intervals,
    "R12a": courses.find_many_casts,
    "R13": courses.find_broken_numbering,
    "R14": order.find_last_cast_length,
    "R15": order.find_late_brace,
    "R16": courses.find_second_tenotomy,
    "R18": courses.find_odd_brace_phase,
    "R19a": courses.find_odd_hours,
    "R21": courses.find_late_relapse,
    "R22": courses.find_half_relapse,
    "R23": courses.find_early_transfer,
    "R24": courses.find_feet_apart,
    "R28": order.find_repeated_visits,
    "R30": courses.find_silent_children,
    "R31": courses.find_tenotomy_without_casts,
}


@dataclass(frozen=True)
class Checked:
    """The course with what its rules found.

    Parameters
    ----------
    course
        The course that was asked.
    mask
        For each visit a bit for each rule, in the order of ``rules``.
    rules
        Codes of the rules.
    flags
        For each fault ``at`` (position in the course), ``rule, severity, found``.
    """

    course: Course
    mask: np.ndarray
    rules: tuple[str, ...]
    flags: Columns

    def first_rule(self, rows: np.ndarray) -> np.ndarray:
        """Return for visits that fail a rule the place of the first such rule in ``rules``."""
        mask = self.mask[rows]
        return np.log2(mask & -mask).astype(np.int64)


def check(course: Course, rules: dict[str, Rule]) -> Checked:
    """Return which visits fail which rules.

    Parameters
    ----------
    course
        Visits in order.
    rules
        Code to rule; up to 62.
    """
    mask = np.zeros(len(course.day), dtype=np.int64)
    told: list[list[str]] = []
    fails_at: list[np.ndarray] = []
    for bit, (code, rule) in enumerate(rules.items()):
        finding = rule(course)
        at = finding.at
        fails_at.append(at)
        told.append(finding.tell() if len(at) else [])
        if len(at) and CHECKS[code].scope == "foot" and CHECKS[code].severity == "hard":
            at = np.flatnonzero(course.first_of_foot(finding.fails) >= 0)
        mask[at] |= 1 << bit
    number = np.repeat(np.arange(len(rules)), [len(at) for at in fails_at])
    codes = [*rules]
    severity = np.array([CHECKS[code].severity for code in codes], dtype=object)
    flags = {
        "at": np.concatenate([*fails_at, np.array([], dtype=np.int64)]),
        "rule": from_codes(number, codes),
        "severity": fold_codes(number, severity),
        "found": categorise([text for texts in told for text in texts]),
    }
    return Checked(course, mask, tuple(rules), flags)


def keep(course: Course, kept: np.ndarray, aside: np.ndarray) -> Course:
    """Return the course with the chosen visits alone.

    Parameters
    ----------
    course
        Visits in order.
    kept
        Which of them stay.
    aside
        Places in the table of pieces that were set aside.
    """
    chosen = choose_visits(course, kept)
    return replace(chosen, set_aside=_last_set_aside(chosen, aside))


def _last_set_aside(course: Course, aside: np.ndarray) -> np.ndarray:
    table = course.table
    last = np.full(len(course.at), np.nan)
    foot = table.foot[aside]
    aside, foot = aside[foot >= 0], foot[foot >= 0]
    is_near = np.zeros(int(table.foot.max(initial=-1)) + 2, dtype=bool)
    is_near[foot] = True
    own = table.foot[course.at]
    near = np.flatnonzero(is_near[own])
    if not len(near):
        return last
    width = 200_000  # more days than lie between any two dates that can be read
    keys = foot * width + table.day[aside]
    keys = np.sort(keys[~np.isnan(keys)])
    begin = own[near] * width
    at = np.searchsorted(keys, begin + course.day[near].astype(float), side="right")
    found = np.append(np.nan, keys)[at] - begin
    last[near] = np.where(found >= 0, found, np.nan)
    return last
