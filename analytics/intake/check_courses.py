"""Rules about a foot's course: age, casts, tenotomy, bracing, relapse, and the other foot."""

from __future__ import annotations

import numpy as np

from analytics.intake.course import Course
from analytics.intake.findings import Finding
from analytics.intake.runs import begins

DAYS_A_YEAR = 365.25


def _start(course: Course) -> tuple[np.ndarray, np.ndarray]:
    """Return the visits that begin a foot's casting, and the age there in years."""

    def start() -> tuple[np.ndarray, np.ndarray]:
        first = course.first_of_foot(course.is_cast)
        return first == np.arange(len(first)), course.age_days / DAYS_A_YEAR

    return course.once("start", start)


def find_impossible_age(course: Course) -> Finding:
    """R03: nobody begins so late."""
    here, years = _start(course)
    fails = here & (years > course.frame.protocol.age_impossible_years)
    return Finding(fails, {"age_years": np.round(years[fails], 1)})


def find_late_start(course: Course) -> Finding:
    """R03a: few begin so late."""
    here, years = _start(course)
    fails = here & (years > course.frame.protocol.age_question_years)
    return Finding(fails, {"age_years": np.round(years[fails], 1)})


def find_first_days_start(course: Course) -> Finding:
    """R03b: the first days of life are for assessment; only exact birth dates can tell."""
    here, _ = _start(course)
    exact = ~course.says("birth_precision", "month", "year")
    fails = here & exact & (course.age_days < course.frame.protocol.age_youngest_days)
    return Finding(fails, {"age_days": course.age_days})


def _casts_of_series(course: Course) -> tuple[np.ndarray, np.ndarray]:
    """Return the number of casts of each visit's series, and the last cast of each."""
    return course.once("casts of series", lambda: _count_casts(course))


def _count_casts(course: Course) -> tuple[np.ndarray, np.ndarray]:
    series = course.series
    code = course.foot.astype(np.int64) * (int(series.max(initial=0)) + 1) + series
    counts = np.bincount(code, weights=series > 0)
    last = np.zeros(len(series), dtype=bool)
    rows = np.flatnonzero(series > 0)
    if len(rows):
        last[rows[np.r_[code[rows][1:] != code[rows][:-1], True]]] = True
    return counts[code], last


def find_impossible_casts(course: Course) -> Finding:
    """R12: no series has so many casts."""
    n_casts, last = _casts_of_series(course)
    fails = last & (n_casts > course.frame.protocol.casts_impossible)
    return Finding(fails, {"n_casts": n_casts})


def find_many_casts(course: Course) -> Finding:
    """R12a: few series have so many casts."""
    n_casts, last = _casts_of_series(course)
    fails = last & (n_casts > course.frame.protocol.casts_question)
    return Finding(fails, {"n_casts": n_casts})


def find_broken_numbering(course: Course) -> Finding:
    """R13: recorded cast numbers follow each other within a series."""
    number, series = course.number("cast_number"), course.series
    before = course.before("cast")
    same = course.is_cast & (series == np.where(before >= 0, series[before], -1))
    step = number - course.value_of(number, before)
    replaced = course.says("cast_replaced", True) & (step == 0)
    fails = same & ~np.isnan(step) & (step != 1) & ~replaced & ~course.lacks_visit_since(before)
    return Finding(fails, {"cast_number": number})


def find_second_tenotomy(course: Course) -> Finding:
    """R16: one primary tenotomy; a later one in relapse care comes after the brace."""
    before = course.before("tenotomy")
    gap = course.day - course.day_of(before)
    fitted = course.day_of(course.before("fitting"))
    braced = fitted >= course.day_of(before)
    soon = gap < course.frame.protocol.duplicate_tenotomy_days
    fails = course.is_tenotomy & (before >= 0) & (soon | ~braced)
    return Finding(fails, {"days_since_tenotomy": gap})


def find_tenotomy_without_casts(course: Course) -> Finding:
    """R31: casts come before a tenotomy, here or elsewhere."""
    n_casts = np.bincount(course.foot, weights=course.is_cast)[course.foot]
    fails = course.is_tenotomy & (n_casts <= 1) & ~course.was_treated_before
    fails &= course.first_of_foot(course.is_tenotomy) == np.arange(len(fails))
    return Finding(fails, {"n_casts": n_casts})


def _braced_days(course: Course) -> np.ndarray:
    return course.once("braced", lambda: course.day - course.first_day(course.is_fitting))


def _hours(course: Course) -> tuple[np.ndarray, ...]:
    """Return which reports tell few hours in the brace, and which a full day.

    Then which come after one of few hours, and after which reports another one of few hours comes
    and no full one.
    """
    protocol, hours = course.frame.protocol, course.number("brace_hours")
    low, full = hours < protocol.full_time_hours, hours > protocol.night_hours_most
    stays_low = (course.row_after(low) >= 0) & (course.row_after(full) < 0)
    return low, full, course.row_before(low) >= 0, stays_low


def find_odd_brace_phase(course: Course) -> Finding:
    """R18: full time ends after two to four months, and bracing by school age."""
    protocol = course.frame.protocol
    hours, braced = course.number("brace_hours"), _braced_days(course)
    low, full, began_night, stays_low = course.once("hours", lambda: _hours(course))
    short = low & (braced > 0) & (braced < protocol.full_time_shortest) & ~began_night
    short &= stays_low
    late = full & (braced > protocol.full_time_longest) & ~began_night
    longest = protocol.brace_longest_years * DAYS_A_YEAR
    # A child who came late is braced late: only one braced in time can go on for too long.
    in_time = course.age_days - braced < protocol.brace_until_years * DAYS_A_YEAR
    old = (hours > 0) & ((braced > longest) | (in_time & (course.age_days > longest)))
    fails = short | _first_only(course, late) | _first_only(course, old)
    return Finding(fails, {"days_braced": braced, "brace_hours": hours})


def _first_only(course: Course, fails: np.ndarray) -> np.ndarray:
    return fails & (course.first_of_foot(fails) == np.arange(len(fails)))


def find_impossible_hours(course: Course) -> Finding:
    """R19: a day has 24 hours."""
    hours = course.number("brace_hours")
    return Finding((hours < 0) | (hours > 24), {"brace_hours": hours})


def find_odd_hours(course: Course) -> Finding:
    """R19a: full time in the first phase, nights in the second."""
    protocol = course.frame.protocol
    hours, braced = course.number("brace_hours"), _braced_days(course)
    low, full, began_night, stays_low = course.once("hours", lambda: _hours(course))
    ended_early = stays_low | began_night
    first_phase = low & (braced > 0) & (braced < protocol.full_time_shortest) & ~ended_early
    second_phase = full & began_night & (braced > protocol.full_time_longest)
    return Finding(first_phase | second_phase, {"days_braced": braced, "brace_hours": hours})


def find_early_relapse(course: Course) -> Finding:
    """R20: a relapse comes after correction; a foot treated elsewhere may bring one along."""
    fitted = course.first_day(course.is_fitting)
    corrected = course.row_before(course.says("corrected_noted", True)) >= 0
    early = course.says("relapse_noted", True) & (course.day <= fitted)
    fails = early & ~corrected & ~course.was_treated_before
    return Finding(fails, {"days_before_brace": fitted - course.day})


def find_late_relapse(course: Course) -> Finding:
    """R21: the first relapse is rare so late."""
    noted = course.says("relapse_noted", True)
    years = course.age_days / DAYS_A_YEAR
    late = noted & (years > course.frame.protocol.relapse_oldest_years)
    first = course.first_of_foot(noted) == np.arange(len(noted))
    fails = late & first
    return Finding(fails, {"age_years": np.round(years[fails], 1)})


def find_half_relapse(course: Course) -> Finding:
    """R22: a relapse is followed by treatment, and new casts by a relapse."""
    window = course.frame.protocol.relapse_response_days
    noted = course.says("relapse_noted", True)
    acts = course.is_cast | course.is_tenotomy | course.is_fitting | course.is_known("procedure")
    answered = course.day_of(course.row_after(acts, same_day=True)) - course.day <= window
    extracted = int(np.datetime64(course.frame.extracted_on, "D").astype(np.int64))
    open_yet = course.day + window > extracted
    first = ~(course.day_of(course.row_before(noted)) >= course.day - window)
    unanswered = noted & first & ~answered & ~open_yet
    series, before = course.series, course.before("cast")
    anew = course.is_cast & (series > 1) & (series != np.where(before >= 0, series[before], -1))
    after_brace = course.day_of(course.before("fitting")) >= course.day_of(before)
    earlier = course.day - course.day_of(course.row_before(noted, same_day=True)) <= window
    later = course.day_of(course.row_after(noted, same_day=True)) - course.day <= window
    return Finding(unanswered | (anew & after_brace & ~earlier & ~later), {})


def find_early_transfer(course: Course) -> Finding:
    """R23: tendon transfer waits for the third year."""
    years = course.age_days / DAYS_A_YEAR
    young = years < course.frame.protocol.transfer_youngest_years
    fails = course.says("procedure", "tendon_transfer") & young
    return Finding(fails, {"age_years": years[fails].round(1)})


def find_feet_apart(course: Course) -> Finding:
    """R24: both feet begin together; shown at the later one."""
    here, _ = _start(course)
    first = course.day_of(course.first_of_child(here))
    apart = np.abs(course.day - first)
    fails = here & (apart > course.frame.protocol.bilateral_start_days)
    return Finding(fails, {"days_apart": apart})


def find_silent_children(course: Course) -> Finding:
    """R30: a child not seen for longer than its phase allows has a departure."""
    protocol = course.frame.protocol
    begin = begins(course.child)
    fails = np.zeros(len(course.day), dtype=bool)
    if not len(begin):
        return Finding(fails)
    last = np.append(begin[1:], len(fails)) - 1
    is_cut, is_cast = course.is_tenotomy[last], course.is_cast[last]
    limits = np.select(
        [is_cut | (is_cast & (course.before("tenotomy")[last] >= 0)), is_cast],
        [protocol.lost_tenotomy_days, protocol.lost_casting_days],
        protocol.lost_bracing_days,
    )
    extracted = int(np.datetime64(course.frame.extracted_on, "D").astype(np.int64))
    silent = extracted - np.maximum.reduceat(course.day, begin)
    young = ~(course.age_days[last] + limits > protocol.brace_until_years * DAYS_A_YEAR)
    gone = ~np.isnan(course.days("left_on")[last])
    odd = ~gone & young & (silent > limits)
    fails[last[odd]] = True
    return Finding(fails, {"days_unseen": silent[odd]})
