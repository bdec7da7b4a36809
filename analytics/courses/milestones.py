"""Find the dated events of each foot's course, up to the brace."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from analytics.courses.days import Days
from analytics.courses.segments import NEVER, Flags, Ints, first_day, take
from analytics.courses.series import Casts
from analytics.courses.stretches import Stretches
from analytics.definitions.protocol import Protocol
from analytics.intake.runs import changes


@dataclass(frozen=True)
class Milestones:
    """One entry per foot; days since 1970-01-01, ``NEVER`` where it did not happen.

    Parameters
    ----------
    started
        First cast of the first series.
    resumed
        First cast of the second series.
    corrected
        Day of correction.
    rule
        Place in ``CORRECTION.codes`` of the rule that decided, -1 for none.
    tenotomy
        First primary tenotomy.
    retenotomy
        Second tenotomy, past the window of duplicates.
    off
        Day on which the foot was first seen out of the last cast before correction; without
        correction, out of its latest cast.
    brace
        First brace fitting at or after correction.
    """

    started: Ints
    resumed: Ints
    corrected: Ints
    rule: Ints
    tenotomy: Ints
    retenotomy: Ints
    off: Ints
    brace: Ints

    @property
    def is_started(self) -> Flags:
        """Return which feet had a cast."""
        return self.started < NEVER

    @property
    def is_corrected(self) -> Flags:
        """Return which feet were corrected, in whichever series."""
        return self.corrected < NEVER

    @property
    def is_corrected_first(self) -> Flags:
        """Return which feet were corrected by their first series."""
        return self.is_corrected & (self.corrected < self.resumed)


def find_milestones(
    days: Days, stretches: Stretches, casts: Casts, *, protocol: Protocol
) -> Milestones:
    """Return the milestones of each foot, declared in ``definitions.milestones``."""
    n_feet = len(days.starts)
    started, resumed = (_first_cast(casts, number, n_feet) for number in (1, 2))
    decisive = _find_decisive(days, stretches, started)
    last = np.where(decisive >= 0, decisive, _last_of(stretches, n_feet))
    corrected = take(stretches.corrected, decisive, NEVER)
    tenotomy = _first(days, days.is_tenotomy & (days.day <= corrected[days.foot]))
    # A window added to "never" stays never.
    again = np.minimum(tenotomy + protocol.duplicate_tenotomy_days, NEVER)
    return Milestones(
        started=started,
        resumed=resumed,
        corrected=corrected,
        rule=take(stretches.rule, decisive, -1),
        tenotomy=tenotomy,
        retenotomy=_first(days, days.is_tenotomy & (days.day >= again[days.foot])),
        off=take(stretches.off, last, NEVER),
        brace=_first(days, days.is_brace_fitting & (days.day >= corrected[days.foot])),
    )


def is_after_tenotomy(casts: Casts, milestones: Milestones) -> Flags:
    """Return which casts went on at or after the tenotomy and before correction.

    The cast of the day of tenotomy closes it, so it counts as after.
    """
    foot = casts.foot
    since = casts.day >= milestones.tenotomy[foot]
    return since & (casts.day <= milestones.corrected[foot])


def is_late_tenotomy(days: Days, milestones: Milestones, *, protocol: Protocol) -> Flags:
    """Return the days of a tenotomy that treats a relapse: after correction and no duplicate."""
    first = milestones.tenotomy[days.foot]
    apart = (first >= NEVER) | (days.day - first >= protocol.duplicate_tenotomy_days)
    return days.is_tenotomy & (days.day > milestones.corrected[days.foot]) & apart


def _first(days: Days, where: Flags) -> Ints:
    return first_day(days.day, where, days.by_foot)


def _first_cast(casts: Casts, series: int, n_feet: int) -> Ints:
    first = np.flatnonzero((casts.series == series) & (casts.order == 1))
    day = np.full(n_feet, NEVER, dtype=np.int64)
    day[casts.foot[first]] = casts.day[first]
    return day


def _find_decisive(days: Days, stretches: Stretches, started: Ints) -> Ints:
    """Return for each foot the first stretch that ended with correction, -1 for none.

    A foot opened by an operation before that was not corrected by casting.
    """
    opened = _first(days, days.is_open_correction)[stretches.foot]
    counts = (stretches.corrected < NEVER) & (stretches.day >= started[stretches.foot])
    index = np.flatnonzero(counts & (opened > stretches.corrected))
    first = index[changes(stretches.foot[index])]
    decisive = np.full(len(started), -1, dtype=np.int64)
    decisive[stretches.foot[first]] = first
    return decisive


def _last_of(stretches: Stretches, n_feet: int) -> Ints:
    last = np.flatnonzero(stretches.is_last)
    out = np.full(n_feet, -1, dtype=np.int64)
    out[stretches.foot[last]] = last
    return out
