"""What was found and done on each day that a foot was seen."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from analytics.courses.segments import Flags, Floats, Ints, first_index, is_any, take
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


def derive_days(timeline: Timeline, protocol: Protocol) -> Days:
    """Return what was found and done on each day, from all visits of that day."""
    visits, rows = timeline.visits, timeline.row_starts
    scores = derive_scores(visits)
    # As categories, so that each word is compared once and not on every line.
    purpose, procedure = (visits[name].astype("category") for name in ("purpose", "procedure"))
    tenotomy_visit = _is_one(purpose, "tenotomy")
    numbered = tenotomy_visit & visits["cast_number"].notna().to_numpy(dtype=bool)
    flags = {
        # A tenotomy visit that has a number in its series is also a cast.
        "is_cast": _is_one(purpose, "cast") | numbered,
        "is_tenotomy": tenotomy_visit | _is_one(procedure, "tenotomy"),
        "is_tenotomy_visit": tenotomy_visit,
        "is_brace_fitting": _is_one(purpose, "brace_fitting"),
        "is_recorded_corrected": _is_yes(visits["corrected_noted"]),
        "is_examined_corrected": _is_corrected(visits, scores["pirani"], protocol),
        "is_relapse_noted": _is_relapse(visits),
        "is_relapse_procedure": _is_one(procedure, *RELAPSE_PROCEDURES),
        "is_transfer": _is_one(procedure, "tendon_transfer"),
        "is_release": _is_one(procedure, *RELEASES),
        "is_open_correction": _is_one(procedure, *OPEN_CORRECTIONS),
        "is_operation": _is_one(procedure, *OPERATIONS),
    }
    used = pd.Categorical(visits["brace_use"], categories=BRACE_USES).codes.astype(np.int64)
    numbers = scores | {"hours": visits["brace_hours"].to_numpy(float, na_value=np.nan)}
    facts: dict[str, Any] = {name: is_any(flag, rows) for name, flag in flags.items()}
    facts |= {name: _first_known(values, rows) for name, values in numbers.items()}
    return Days(
        foot=timeline.foot,
        day=timeline.day,
        starts=timeline.foot_starts,
        used=take(used, first_index(used >= 0, rows), -1),
        **facts,
    )


def derive_scores(visits: pd.DataFrame) -> dict[str, Floats]:
    """Return the scores of each visit, a total that is missing made from its parts.

    Returns
    -------
    dict
        ``pirani``, ``midfoot``, ``hindfoot`` and ``dimeglio``; NaN where any part is missing too.
    """
    midfoot = _total(visits, "pirani_midfoot", PIRANI_MIDFOOT_SIGNS)
    hindfoot = _total(visits, "pirani_hindfoot", PIRANI_HINDFOOT_SIGNS)
    total = visits["pirani_total"].to_numpy(float, na_value=np.nan)
    return {
        "pirani": np.where(np.isnan(total), midfoot + hindfoot, total),
        "midfoot": midfoot,
        "hindfoot": hindfoot,
        "dimeglio": _total(visits, "dimeglio_total", (*DIMEGLIO_PARTS, *DIMEGLIO_EXTRAS)),
    }


def _total(visits: pd.DataFrame, name: str, parts: tuple[str, ...]) -> Floats:
    total = visits[name].to_numpy(float, na_value=np.nan)
    added = sum(visits[part].to_numpy(float, na_value=np.nan) for part in parts)
    return np.where(np.isnan(total), added, total)


def _is_one(values: pd.Series, *codes: str) -> Flags:
    places = np.flatnonzero(values.cat.categories.isin(codes))
    return np.isin(values.cat.codes.to_numpy(), places)


def _is_yes(values: pd.Series) -> Flags:
    # Evidence that is not written down is absent as evidence; the value itself stays missing.
    return values.to_numpy(dtype=bool, na_value=False)


def _is_corrected(visits: pd.DataFrame, pirani: Floats, protocol: Protocol) -> Flags:
    abduction = visits["abduction_deg"].to_numpy(float, na_value=np.nan)
    dorsiflexion = visits["dorsiflexion_deg"].to_numpy(float, na_value=np.nan)
    angles = (abduction >= protocol.correction_abduction) & (
        dorsiflexion >= protocol.correction_dorsiflexion
    )
    return angles | (pirani <= protocol.correction_pirani)


def _is_relapse(visits: pd.DataFrame) -> Flags:
    names = ["relapse_noted", *(f"relapse_{part}" for part in RELAPSE_PARTS)]
    return np.logical_or.reduce([_is_yes(visits[name]) for name in names])


def _first_known(values: Floats, row_starts: Ints) -> Floats:
    return take(values, first_index(~np.isnan(values), row_starts), np.nan)
