"""Rules about days: the order of care, the time between visits, and death."""

from __future__ import annotations

from datetime import date

import numpy as np

from analytics.intake.course import DAY_ORDER, Course
from analytics.intake.findings import Finding
from analytics.intake.runs import begins, changes, find_spans

#: More days than lie between any two dates that can be read.
_DAYS = 200_000

_SCORES = ("pirani_total", "dimeglio_total")


def find_broken_order(course: Course) -> Finding:
    """R01: birth, then casts, then tenotomy and brace."""
    before_birth = course.day < course.days("birth_on")
    first_cast = course.first_day(course.is_cast)
    too_early = (course.is_tenotomy | course.is_fitting) & (course.day < first_cast)
    fails = before_birth | (too_early & ~course.was_treated_before)
    return Finding(fails, {"age_days": course.age_days})


def find_days_outside(course: Course) -> Finding:
    """R02: no visit after the export or before the programme."""
    frame = course.frame
    fails = course.day > _day(frame.extracted_on)
    if frame.started_on is not None:
        fails |= course.day < _day(frame.started_on)
    return Finding(fails, {"visited_on": course.day[fails].astype("datetime64[D]").astype(str)})


def find_unaffected_foot(course: Course) -> Finding:
    """R05: care and scores are for affected feet."""
    scored = np.logical_or.reduce([~np.isnan(course.number(name)) for name in _SCORES])
    treated = course.is_cast | course.is_tenotomy | scored
    fails = course.says("affected", False) & treated
    side = course.table.take("side", course.at[fails])
    return Finding(fails, {"side": np.asarray(side, dtype=object)})


def find_visits_after_death(course: Course) -> Finding:
    """R29: no visit after death."""
    left = course.days("left_on")
    fails = course.says("why", "died") & (course.day > left)
    return Finding(fails, {"days_after": course.day - left})


def find_odd_intervals(course: Course) -> Finding:
    """R11: casts of a series follow about weekly; the cast after tenotomy is another matter."""
    protocol = course.frame.protocol
    series = course.series
    before = course.before("cast")
    same = course.is_cast & (series == np.where(before >= 0, series[before], -1))
    gap = course.day - course.day_of(before)
    short = (gap < protocol.cast_interval_shortest) & ~course.says("cast_replaced", True)
    long = (gap > protocol.cast_interval_longest) & ~is_after_tenotomy(course)[before]
    fails = same & (short | long) & ~course.lacks_visit_since(before)
    return Finding(fails, {"days_since_cast": gap})


def is_after_tenotomy(course: Course) -> np.ndarray:
    """Return the casts that follow a tenotomy within their series, or on its day."""
    return course.once("after tenotomy", lambda: _find_after_tenotomy(course))


def _find_after_tenotomy(course: Course) -> np.ndarray:
    series = course.series
    first = _first_of_series(course, series)
    cut = course.day_of(course.row_before(course.is_tenotomy, same_day=True))
    begin = course.day_of(first)
    # A tenotomy may lie between the last cast of a series and the first listed one.
    return course.is_cast & (cut >= begin - course.frame.protocol.cast_interval_longest)


def _first_of_series(course: Course, series: np.ndarray) -> np.ndarray:
    """Return for each cast the first row of its series; -1 for others."""
    rows = np.flatnonzero(series > 0)
    first = np.full(len(series), -1)
    first[rows] = rows[find_spans(changes(course.foot[rows], series[rows]))[0]]
    return first


def find_last_cast_length(course: Course) -> Finding:
    """R14: the cast after tenotomy stays about three weeks."""
    protocol = course.frame.protocol
    last, begin, end = _last_cast(course)
    gap = course.day_of(end) - course.day_of(begin)
    late_brace = _is_fitting_at(course, end) & (gap > _longest_to_brace(course))
    odd = (gap < protocol.final_cast_shortest) | ((gap > protocol.final_cast_longest) & ~late_brace)
    return Finding(last & is_after_tenotomy(course) & odd, {"days_in_last_cast": gap})


def find_late_brace(course: Course) -> Finding:
    """R15: the brace follows the last cast within days."""
    last, begin, end = _last_cast(course)
    fitted = course.after("fitting")
    cast_again = course.after("cast")
    is_next = (fitted >= 0) & (
        (cast_again < 0) | (course.day_of(cast_again) > course.day_of(fitted))
    )
    # Where nobody noted the day on which the cast came off, the longest cast is allowed for.
    direct = fitted == end
    wait = course.day_of(fitted) - np.where(direct, course.day_of(begin), course.day_of(end))
    allowed = np.where(
        direct, _longest_to_brace(course), course.frame.protocol.brace_after_cast_days
    )
    return Finding(last & is_next & (wait > allowed), {"days_without_brace": wait})


def _longest_to_brace(course: Course) -> int:
    protocol = course.frame.protocol
    return protocol.final_cast_longest + protocol.brace_after_cast_days


def _last_cast(course: Course) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return which casts end their series, the row where the last cast began, and the next visit.

    After tenotomy the last cast may have been renewed: it began with the first one after it.
    """
    return course.once("last cast", lambda: _find_last_cast(course))


def _find_last_cast(course: Course) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    series = course.series
    next_cast = course.after("cast")
    last = course.is_cast & ((next_cast < 0) | (series[next_cast] != series))
    own = np.arange(len(series))
    cut = course.row_before(course.is_tenotomy, same_day=True)
    after = is_after_tenotomy(course)
    first_after = np.where(after, _row_of_first_cast_from(course, cut), own)
    off = ~(course.is_tenotomy | course.says("purpose", "procedure"))
    return last, np.where(first_after < 0, own, first_after), course.row_after(off)


def _row_of_first_cast_from(course: Course, rows: np.ndarray) -> np.ndarray:
    following = course.row_after(course.is_cast, same_day=True)
    return np.append(following, -1)[rows]


def _is_fitting_at(course: Course, rows: np.ndarray) -> np.ndarray:
    return np.append(course.is_fitting, False)[rows]


def find_repeated_visits(course: Course) -> Finding:
    """R28: no visit of one purpose on two days in a row, and no three visits on one day."""
    replaced = course.says("cast_replaced", True)
    fails = np.zeros(len(course.day), dtype=bool)
    for purpose in DAY_ORDER:
        rows = np.flatnonzero(course.says("purpose", purpose))
        days = rows[begins(course.foot[rows] * _DAYS + course.day[rows])]
        next_day = np.zeros(len(days), dtype=bool)
        next_day[1:] = (np.diff(course.day[days]) == 1) & (np.diff(course.foot[days]) == 0)
        of_row = np.searchsorted(days, rows, side="right") - 1
        fails[rows] |= next_day[of_row]
    fails &= ~replaced
    third = np.arange(len(fails)) - course.begin_of_day >= 2
    return Finding(fails | third, {})


def _day(day: date) -> int:
    return int(np.datetime64(day, "D").astype(np.int64))
