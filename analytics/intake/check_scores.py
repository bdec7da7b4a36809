"""Rules about scores: on the scale, equal to the sum of the parts, and likely where they stand."""

from __future__ import annotations

import numpy as np

from analytics.definitions.columns import (
    DIMEGLIO_EXTRAS,
    DIMEGLIO_PARTS,
    PIRANI_HINDFOOT_SIGNS,
    PIRANI_MIDFOOT_SIGNS,
    column,
)
from analytics.intake.course import Course
from analytics.intake.findings import Finding

_PIRANI = (
    *PIRANI_MIDFOOT_SIGNS, *PIRANI_HINDFOOT_SIGNS, "pirani_midfoot", "pirani_hindfoot",
    "pirani_total",
)  # fmt: skip
_DIMEGLIO = (*DIMEGLIO_PARTS, *DIMEGLIO_EXTRAS, "dimeglio_total")

#: Totals with the columns that make each of them.
_TOTALS = (
    ("pirani_midfoot", PIRANI_MIDFOOT_SIGNS),
    ("pirani_hindfoot", PIRANI_HINDFOOT_SIGNS),
    ("pirani_total", ("pirani_midfoot", "pirani_hindfoot")),
    ("pirani_total", (*PIRANI_MIDFOOT_SIGNS, *PIRANI_HINDFOOT_SIGNS)),
    ("dimeglio_total", (*DIMEGLIO_PARTS, *DIMEGLIO_EXTRAS)),
)

#: A midfoot above this at brace fitting asks for a look (common practice).
BRACE_MIDFOOT_MOST = 0.5

#: A tenotomy without a score is read with the last score of these days.
SCORE_STANDS_DAYS = 14


def find_impossible_scores(course: Course) -> Finding:
    """R06: every score lies on its scale, and totals equal their parts."""
    fails = np.zeros(len(course.day), dtype=bool)
    for name in (*_PIRANI, *_DIMEGLIO):
        if course.table.has(name):
            fails[_find_off_scale(course, name)] = True
    for name, parts in _TOTALS:
        summed = course.sum_of(parts) if course.table.has(name) else None
        if summed is not None:  # missing on either side compares as false
            fails |= np.abs(course.number(name) - summed) > 1e-9
    return Finding(fails, _show_scores(course, np.flatnonzero(fails)))


def _show_scores(course: Course, rows: np.ndarray) -> dict[str, np.ndarray]:
    total, midfoot, hindfoot = (
        course.number(f"pirani_{part}")[rows] for part in ("total", "midfoot", "hindfoot")
    )
    # The older version adds ten signs to a total of 10, with halves of 5.
    older = np.where((total > 6) & (total <= 10) | (midfoot > 3) | (hindfoot > 3), "yes", "no")
    return {
        "pirani_total": total,
        "pirani_midfoot": midfoot,
        "pirani_hindfoot": hindfoot,
        "dimeglio_total": course.number("dimeglio_total")[rows],
        "older_version": older,
    }


def find_sound_start(course: Course) -> Finding:
    """R07: the first score of a foot that is cast is that of a clubfoot."""
    total = course.total
    first = course.first_of_foot(~np.isnan(total))
    begin = course.first_day(course.is_cast)
    here = (first == np.arange(len(first))) & (course.day <= begin)
    return Finding(
        here & (total < course.frame.protocol.start_score_least), {"pirani_total": total}
    )


def find_uncorrected_at_brace(course: Course) -> Finding:
    """R08: a foot is braced when it is corrected."""
    total, midfoot = course.total, course.midfoot
    high = (total > course.frame.protocol.brace_score_most) | (midfoot > BRACE_MIDFOOT_MOST)
    return Finding(course.is_fitting & high, {"pirani_total": total, "pirani_midfoot": midfoot})


def find_rise_between_casts(course: Course) -> Finding:
    """R09: the score does not rise from one cast of a series to the next."""
    total, series = course.total, course.series
    before = course.before("cast")
    same = series == np.where(before >= 0, series[before], -1)
    rise = total - course.value_of(total, before)
    fails = course.is_cast & same & (rise >= course.frame.protocol.cast_score_rise)
    fails &= ~course.lacks_visit_since(before)
    return Finding(fails, {"rise": rise})


def find_early_tenotomy(course: Course) -> Finding:
    """R10: tenotomy follows the correction of the midfoot."""
    midfoot = course.midfoot
    last = course.row_before(~np.isnan(midfoot))
    recent = course.day - course.day_of(last) <= SCORE_STANDS_DAYS
    earlier = np.where(recent, course.value_of(midfoot, last), np.nan)
    score = np.where(np.isnan(midfoot), earlier, midfoot)
    fails = course.is_tenotomy & (score > course.frame.protocol.tenotomy_midfoot_most)
    return Finding(fails, {"pirani_midfoot": score})


def _find_off_scale(course: Course, name: str) -> np.ndarray:
    """Return the visits whose value lies outside its limits, or between two steps of its scale."""
    declared = column("visits", name)
    low, high = declared.limits or (-np.inf, np.inf)
    known = np.flatnonzero(~np.isnan(course.number(name)))
    values = course.number(name)[known]
    steps = values / (declared.step or 1.0)
    return known[(values < low) | (values > high) | (np.abs(steps - np.rint(steps)) > 1e-9)]
