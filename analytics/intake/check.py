"""Run the rules over visits: a bit mask tells which of them each visit fails."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from analytics.definitions.checks import CHECKS
from analytics.intake import check_courses as courses
from analytics.intake import check_order as order
from analytics.intake import check_scores as scores
from analytics.intake.course import Course, choose_visits
from analytics.intake.findings import Rule

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
        One row for each fault: ``at`` (position in the course), ``rule, severity, found``.
    """

    course: Course
    mask: np.ndarray
    rules: tuple[str, ...]
    flags: pd.DataFrame

    @property
    def reason(self) -> np.ndarray:
        """Return for each visit the first rule that it fails; None where it fails none."""
        codes = np.array([None, *self.rules], dtype=object)
        lowest = self.mask & -self.mask
        at = np.where(lowest > 0, np.log2(np.maximum(lowest, 1)).astype(np.int64) + 1, 0)
        return codes[at]


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
    parts = []
    for bit, (code, rule) in enumerate(rules.items()):
        finding = rule(course)
        at = np.flatnonzero(finding.fails)
        parts.append(
            pd.DataFrame(
                {
                    "at": at,
                    "rule": code,
                    "severity": CHECKS[code].severity,
                    "found": pd.array(finding.tell(), dtype="string"),
                }
            )
        )
        fails = finding.fails
        if CHECKS[code].scope == "foot" and CHECKS[code].severity == "hard":
            fails = course.first_of_foot(fails) >= 0
        mask |= fails.astype(np.int64) << bit
    filled = [part for part in parts if len(part)]
    empty = pd.DataFrame(columns=["at", "rule", "severity", "found"])
    return Checked(
        course, mask, tuple(rules), pd.concat(filled, ignore_index=True) if filled else empty
    )


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
    aside = aside[(table.foot[aside] >= 0) & ~np.isnan(table.day[aside])]
    width = 200_000  # more days than lie between any two dates that can be read
    keys = np.sort(table.foot[aside] * width + table.day[aside])
    before = table.foot[course.at] * width
    own = before + course.day.astype(float)
    at = np.searchsorted(keys, own, side="right")
    found = np.append(np.nan, keys)[at] if len(keys) else np.full(len(own), np.nan)
    last = found - before
    return np.where(last >= 0, last, np.nan)
