"""Follow-up cut into spells (start, stop], so that the use of the brace may change over time.

A spell carries what was known when it began: the use told at the last visit before. What is told
at the visit where a relapse is seen does not explain that relapse.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from analytics.courses.cohort import Cohort
from analytics.courses.follow_up import DAYS_IN_YEAR
from analytics.courses.segments import NEVER, Flags, Ints, as_days, ends, take
from analytics.definitions.codes import SIDES
from analytics.definitions.foot_facts import ADHERENCES, BRACE_PHASES
from analytics.errors import RecordsError
from analytics.intake.runs import changes

UNRECORDED = ADHERENCES.index("unrecorded")


def build_spells(cohort: Cohort, followed: pd.DataFrame, *, origin: str) -> pd.DataFrame:
    """Return the spells of feet at risk, in each of which nothing changes.

    Parameters
    ----------
    cohort
        Feet at the cut-off, and the use of the brace as it was told.
    followed
        Feet at risk, indexed as ``cohort.feet``: ``entry_days`` and ``time_days`` (at risk on
        (entry, time], in days from the origin) and ``ended`` (0 when nothing ended it).
    origin
        Date column of the foot from which days are counted; never missing in ``followed``.

    Returns
    -------
    DataFrame
        Sorted by foot and time: ``foot`` (place in ``cohort.feet``), ``child``, ``side``,
        ``start_days``, ``stop_days``, ``ended`` (0 but in the last spell of a foot),
        ``adherence`` (told last; unrecorded before the first word and when the last one is older
        than the limit of loss in bracing) and ``brace_phase``.

    Raises
    ------
    RecordsError
        When spells overlap, leave a gap or go on after an end.
    """
    index = followed.index.to_numpy()
    feet = cohort.feet.loc[index].reset_index(drop=True)
    begun = as_days(feet[origin])
    entry, time = (followed[name].to_numpy(np.int64) for name in ("entry_days", "time_days"))
    told = _find_told(cohort, feet, begun)
    turns = _find_turns(cohort, feet, begun)
    foot, start = _cut(told, turns, entry=entry, time=time)
    is_last = ends(foot)
    stop = np.where(is_last, time[foot], np.roll(start, -1))
    ended = np.where(is_last, followed["ended"].to_numpy(np.int64)[foot], 0)
    spells = pd.DataFrame(
        {
            "foot": index[foot],
            "child": feet["child"].array.take(foot),
            "side": feet["side"].array.take(foot),
            "start_days": start,
            "stop_days": stop,
            "ended": ended,
            "adherence": pd.array(ADHERENCES, dtype="string").take(_level(told, foot, start)),
            "brace_phase": pd.array(BRACE_PHASES, dtype="string").take(
                np.add.reduce([start >= turn[foot] for turn in turns], dtype=np.int64)
            ),
        }
    )
    check_spells(spells)
    return spells


def check_spells(spells: pd.DataFrame) -> None:
    """Raise when spells overlap, leave a gap, last no time or go on after an end.

    Parameters
    ----------
    spells
        ``foot, start_days, stop_days, ended``, sorted by foot and start.

    Raises
    ------
    RecordsError
        With how many spells are at fault in which way.
    """
    foot, start, stop, ended = (
        spells[name].to_numpy() for name in ("foot", "start_days", "stop_days", "ended")
    )
    goes_on = ~changes(foot)[1:]
    faults = {
        "empty": int((start >= stop).sum()),
        "overlapping": int((goes_on & (start[1:] < stop[:-1])).sum()),
        "after a gap": int((goes_on & (start[1:] > stop[:-1])).sum()),
        "after an end": int((goes_on & (ended[:-1] != 0)).sum()),
    }
    found = ", ".join(f"{n} {name}" for name, n in faults.items() if n)
    if found:
        raise RecordsError(
            f"spells at fault: {found}",
            allowed="spells of a foot that follow one another without gap until its end",
            todo="this is a fault of the program: keep the exports and report it",
        )


@dataclass(frozen=True)
class _Told:
    """Days from the origin on which the level of use changes, sorted by foot and day."""

    foot: Ints
    day: Ints
    level: Ints


def _find_told(cohort: Cohort, feet: pd.DataFrame, begun: Ints) -> _Told:
    """Return where use was told, and where the last word on it grew too old."""
    uses = cohort.uses
    child = uses["child"].cat.categories.get_indexer(feet["child"])
    side = pd.Categorical(feet["side"], categories=SIDES).codes
    held = uses["child"].cat.codes.to_numpy(np.int64) * len(SIDES) + uses["side"].cat.codes
    # A foot of which nothing was told has a number of its own that nothing has.
    asked = np.where(child < 0, -1 - np.arange(len(feet)), child * len(SIDES) + side)
    foot = pd.Index(asked).get_indexer(held)
    known = foot >= 0
    foot, uses = foot[known], uses.loc[known]
    day = as_days(uses["visited_on"]) - begun[foot]
    level = uses["use_told"].cat.codes.to_numpy(np.int64)
    old = day + cohort.protocol.lost_bracing_days
    follows = np.where(ends(foot), NEVER, np.roll(day, -1))
    stale = old < follows
    foot, day = np.append(foot, foot[stale]), np.append(day, old[stale])
    level = np.append(level, np.full(int(stale.sum()), UNRECORDED))
    order = np.lexsort((day, foot))
    return _Told(foot[order], day[order], level[order])


def _find_turns(cohort: Cohort, feet: pd.DataFrame, begun: Ints) -> list[Ints]:
    """Return days from the origin on which each foot enters the brace phases after the first."""
    protocol = cohort.protocol
    brace, birth = as_days(feet["brace_on"]), as_days(feet["birth_on"])
    has_brace = brace < NEVER
    nights = brace + protocol.full_time_days
    by_age = birth + round(protocol.brace_until_years * DAYS_IN_YEAR)
    over = np.where(birth < NEVER, np.maximum(by_age, nights), NEVER)
    return [np.where(has_brace, day - begun, NEVER) for day in (brace, nights, over)]


def _cut(told: _Told, turns: list[Ints], *, entry: Ints, time: Ints) -> tuple[Ints, Ints]:
    """Return foot and start of each spell: the entry, and every change before the end."""
    every = np.arange(len(entry))
    foot = np.concatenate([every, told.foot, *(every for _ in turns)])
    day = np.concatenate([entry, told.day, *turns])
    inside = (day >= entry[foot]) & (day < time[foot])
    foot, day = foot[inside], day[inside]
    order = np.lexsort((day, foot))
    foot, day = foot[order], day[order]
    once: Flags = changes(foot, day)
    return foot[once], day[once]


def _level(told: _Told, foot: Ints, start: Ints) -> Ints:
    """Return the level of use told last at or before the start of each spell."""
    # One increasing number per foot and day; days from an origin stay far below the width.
    width = 2 * NEVER
    place = np.searchsorted(told.foot * width + told.day, foot * width + start, side="right") - 1
    same = (place >= 0) & (take(told.foot, place, -1) == foot)
    return np.where(same, take(told.level, place, UNRECORDED), UNRECORDED)
