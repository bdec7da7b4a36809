"""The course of every foot: its days, casts and milestones, found step by step."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from functools import cached_property

import numpy as np
import pandas as pd

from analytics.courses.days import Days, derive_days
from analytics.courses.milestones import Milestones, find_milestones
from analytics.courses.segments import NEVER, Flags, Ints, Segments, first_day, last_day
from analytics.courses.series import Casts, find_casts
from analytics.courses.stretches import find_stretches
from analytics.courses.timeline import Timeline, build_timeline
from analytics.definitions.protocol import Protocol


@dataclass(frozen=True)
class Course:
    """What happened to all feet seen, in the order of ``timeline.number``.

    Parameters
    ----------
    timeline
        Visits in order.
    days
        What was found and done on each day.
    casts
        Casts with their series.
    milestones
        Dated events of each foot.
    cut_off
        Last day of the exports, in days since 1970-01-01.
    protocol
        Windows in force.
    """

    timeline: Timeline
    days: Days
    casts: Casts
    milestones: Milestones
    cut_off: int
    protocol: Protocol

    @property
    def n_feet(self) -> int:
        """Return the number of feet seen."""
        return len(self.days.starts)

    @cached_property
    def is_cast_day(self) -> Flags:
        """Return which days had a cast, also one that only a tenotomy visit stands for."""
        is_cast = np.zeros(len(self.days.day), dtype=bool)
        is_cast[self.casts.at] = True
        return is_cast

    @property
    def last_at(self) -> Ints:
        """Return the place of each foot's last day."""
        return np.append(self.days.starts[1:], len(self.days.day))[: self.n_feet] - 1

    @property
    def by_foot(self) -> Segments:
        """Return the days as segments of feet."""
        return self.days.by_foot

    @cached_property
    def next_day(self) -> Ints:
        """Return the next day on which the same foot was seen, ``NEVER`` after the last."""
        following = np.append(self.days.day[1:], NEVER)[: len(self.days.day)]
        following[self.last_at] = NEVER
        return following

    @cached_property
    def since_correction(self) -> Ints:
        """Return for each day how long after correction of its foot it lies."""
        return self.since(self.milestones.corrected)

    @cached_property
    def since_brace(self) -> Ints:
        """Return for each day how long after the brace of its foot it lies."""
        return self.since(self.milestones.brace)

    def since(self, milestone: Ints) -> Ints:
        """Return for each day how long after a milestone of its foot it lies."""
        return self.days.day - milestone[self.days.foot]

    def first(self, where: Flags) -> Ints:
        """Return the first day of each foot where something holds, else ``NEVER``."""
        return first_day(self.days.day, where, self.by_foot)

    def last(self, where: Flags) -> Ints:
        """Return the last day of each foot where something holds, else ``-NEVER``."""
        return last_day(self.days.day, where, self.by_foot)


def find_course(visits: pd.DataFrame, cut_off: date, protocol: Protocol) -> Course:
    """Return the course of every foot with a visit at or before the cut-off.

    Parameters
    ----------
    visits
        Canonical visits.
    cut_off
        Last day of the exports; later visits are left out.
    protocol
        Windows in force.
    """
    timeline = build_timeline(visits, cut_off)
    days = derive_days(timeline, protocol)
    stretches = find_stretches(days, cut_off=cut_off, protocol=protocol)
    casts = find_casts(timeline, days, stretches, protocol=protocol)
    milestones = find_milestones(days, stretches, casts, protocol=protocol)
    last_day_known = int(np.datetime64(cut_off, "D").astype(np.int64))
    return Course(timeline, days, casts, milestones, last_day_known, protocol)
