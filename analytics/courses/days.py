"""What was found and done on each day that a foot was seen."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from analytics.courses.segments import Flags, Floats, Ints, Segments, is_any
from analytics.courses.timeline import Timeline
from analytics.definitions.codes import BRACE_USES, RELAPSE_PARTS
from analytics.definitions.columns import (
    DIMEGLIO_EXTRAS,
    DIMEGLIO_PARTS,
    PIRANI_HINDFOOT_SIGNS,
    PIRANI_MIDFOOT_SIGNS,
)
from analytics.definitions.milestones import (
    OPEN_CORRECTIONS,
    OPERATIONS,
    RELAPSE_PROCEDURES,
    RELEASES,
)
from analytics.definitions.protocol import Protocol
from analytics.intake.runs import changes


@dataclass(frozen=True)
class Days:
    """What was found and done on each day of a timeline; scores are NaN where none was taken.

    ``used`` is the place of the use of the brace in ``BRACE_USES``, -1 where it was not told.
    """

    foot: Ints
    day: Ints
    starts: Ints
    is_cast: Flags
    is_tenotomy: Flags
    is_tenotomy_visit: Flags
    is_brace_fitting: Flags
    is_recorded_corrected: Flags
    is_examined_corrected: Flags
    is_relapse_noted: Flags
    is_relapse_procedure: Flags
    is_transfer: Flags
    is_release: Flags
    is_open_correction: Flags
    is_operation: Flags
    pirani: Floats
    midfoot: Floats
    hindfoot: Floats
    dimeglio: Floats
    used: Ints
    hours: Floats

    @property
    def by_foot(self) -> Segments:
        """Return the days as segments of feet."""
        return Segments(self.foot, len(self.starts))


def derive_days(timeline: Timeline, protocol: Protocol) -> Days:
    """Return what was found and done on each day, from all visits of that day."""
    scores = derive_scores(timeline)
    tenotomy_visit = timeline.is_one("purpose", "tenotomy")
    numbered = tenotomy_visit.copy()
    at = np.flatnonzero(tenotomy_visit)
    numbered[at] = ~timeline.pick("cast_number", at).isna()
    flags = {
        # A tenotomy visit that has a number in its series is also a cast.
        "is_cast": timeline.is_one("purpose", "cast") | numbered,
        "is_tenotomy": tenotomy_visit | timeline.is_one("procedure", "tenotomy"),
        "is_tenotomy_visit": tenotomy_visit,
        "is_brace_fitting": timeline.is_one("purpose", "brace_fitting"),
        # Evidence that is not written down is absent as evidence; the value stays missing.
        "is_recorded_corrected": timeline.says("corrected_noted", True),
        "is_examined_corrected": _is_corrected(timeline, scores["pirani"], protocol),
        "is_relapse_noted": _is_relapse(timeline),
        "is_relapse_procedure": timeline.is_one("procedure", *RELAPSE_PROCEDURES),
        "is_transfer": timeline.is_one("procedure", "tendon_transfer"),
        "is_release": timeline.is_one("procedure", *RELEASES),
        "is_open_correction": timeline.is_one("procedure", *OPEN_CORRECTIONS),
        "is_operation": timeline.is_one("procedure", *OPERATIONS),
    }
    numbers = scores | {"hours": timeline.numbers("brace_hours")}
    used = timeline.places("brace_use", BRACE_USES)
    facts: dict[str, Any] = {name: is_any(flag, timeline.by_day) for name, flag in flags.items()}
    further = np.flatnonzero(~changes(timeline.day_of_row))
    facts |= {
        name: _first_known(values, ~np.isnan(values), timeline, further)
        for name, values in numbers.items()
    }
    return Days(
        foot=timeline.foot,
        day=timeline.day,
        starts=timeline.foot_starts,
        used=_first_known(used, used >= 0, timeline, further),
        **facts,
    )


def derive_scores(timeline: Timeline) -> dict[str, Floats]:
    """Return the scores of each visit, a total that is missing made from its parts.

    Returns
    -------
    dict
        ``pirani``, ``midfoot``, ``hindfoot`` and ``dimeglio``; NaN where any part is missing too.
    """
    midfoot = _total(timeline, "pirani_midfoot", PIRANI_MIDFOOT_SIGNS)
    hindfoot = _total(timeline, "pirani_hindfoot", PIRANI_HINDFOOT_SIGNS)
    total = timeline.numbers("pirani_total")
    return {
        "pirani": np.where(np.isnan(total), midfoot + hindfoot, total),
        "midfoot": midfoot,
        "hindfoot": hindfoot,
        "dimeglio": _total(timeline, "dimeglio_total", (*DIMEGLIO_PARTS, *DIMEGLIO_EXTRAS)),
    }


def _total(timeline: Timeline, name: str, parts: tuple[str, ...]) -> Floats:
    total = timeline.numbers(name)
    if any(timeline.is_empty(part) for part in parts):
        return total
    added = sum(timeline.numbers(part) for part in parts)
    return np.where(np.isnan(total), added, total)


def _is_corrected(timeline: Timeline, pirani: Floats, protocol: Protocol) -> Flags:
    angles = (timeline.numbers("abduction_deg") >= protocol.correction_abduction) & (
        timeline.numbers("dorsiflexion_deg") >= protocol.correction_dorsiflexion
    )
    return angles | (pirani <= protocol.correction_pirani)


def _is_relapse(timeline: Timeline) -> Flags:
    names = ["relapse_noted", *(f"relapse_{part}" for part in RELAPSE_PARTS)]
    return np.logical_or.reduce([timeline.says(name, True) for name in names])


def _first_known(values: NDArray, known: Flags, timeline: Timeline, further: Ints) -> NDArray:
    """Return the first known value of each day; the first visit's where none is known."""
    first, day = timeline.row_starts, timeline.day_of_row
    rest = further[known[further]]
    rest = rest[~known[first[day[rest]]]][::-1]
    found = values[first]
    found[day[rest]] = values[rest]
    return found
