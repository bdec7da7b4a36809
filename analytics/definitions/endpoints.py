"""Survival questions: from which day, until which event, against what, for whom."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Endpoint:
    """One question of time, as columns of the foot.

    Parameters
    ----------
    code
        Stable name; its words are the labels ``endpoint.<code>``.
    origin
        Date column where time begins; a foot without it is outside.
    events
        Date columns; the earliest after the origin is the event.
    competing
        Date columns of events after which the event can no longer be seen.
    seen_free
        Date column of the last visit without the event, where the event is known only to lie
        between two visits; empty when its day is exact.
    until
        Date column until which it is known that the event had not happened.
    enters
        Date column of delayed entry; empty when observation begins at the origin.
    population
        Rule over the foot's columns; empty for every foot with the origin.
    source
        Where the definition is published, or "programme".
    """

    code: str
    origin: str
    events: tuple[str, ...]
    competing: tuple[str, ...] = ("died_on",)
    seen_free: str = ""
    until: str = "last_seen_on"
    enters: str = ""
    population: str = ""
    source: str = "programme"


RELAPSE = Endpoint("relapse", "corrected_on", ("relapse_on",), seen_free="relapse_free_on")
RELAPSE_FROM_START = Endpoint("relapse_from_start", "started_on", ("relapse_on",))
#: Relapse as published series define it; the answer moves with the definition.
RELAPSE_NOTED = Endpoint(
    "relapse_noted", "corrected_on", ("relapse_noted_on",), source="Limpaphayom 2019"
)
RELAPSE_TREATED = Endpoint(
    "relapse_treated", "corrected_on", ("relapse_treated_on",), source="Avilucea 2009"
)
RELAPSE_RECAST = Endpoint("relapse_recast", "corrected_on", ("recast_on",), source="Nahle 2022")
RELAPSE_RECAST_OR_TENOTOMY = Endpoint(
    "relapse_recast_or_tenotomy",
    "corrected_on",
    ("recast_on", "retenotomy_on"),
    source="Brazell 2019",
)
RELAPSE_SCORE = Endpoint(
    "relapse_score", "corrected_on", ("score_rise_on",), source="Ramirez 2011, Azarpira 2016"
)
RELAPSE_RELEASE = Endpoint(
    "relapse_release", "corrected_on", ("release_on",), source="Haft 2007, major"
)
OPERATION = Endpoint("operation", "corrected_on", ("operation_on",), source="Haft 2007")
TRANSFER_BY_AGE = Endpoint(
    "transfer_by_age",
    "birth_on",
    ("transfer_on",),
    enters="enrolled_on",
    population="diagnosis == 'idiopathic'",
    source="Zionts 2016",
)
# Not lost is known up to the cut-off, not up to the last visit only: loss is a limit that passes.
LEAVING_CARE = Endpoint(
    "leaving_care",
    "brace_on",
    ("lost_on",),
    competing=("relapse_on", "died_on"),
    until="due_until_on",
)
CORRECTION = Endpoint("correction", "started_on", ("corrected_on",), competing=("died_on",))

ENDPOINTS: dict[str, Endpoint] = {
    e.code: e
    for e in (
        RELAPSE,
        RELAPSE_FROM_START,
        RELAPSE_NOTED,
        RELAPSE_TREATED,
        RELAPSE_RECAST,
        RELAPSE_RECAST_OR_TENOTOMY,
        RELAPSE_SCORE,
        RELAPSE_RELEASE,
        OPERATION,
        TRANSFER_BY_AGE,
        LEAVING_CARE,
        CORRECTION,
    )
}

#: The definitions of relapse that a report sets side by side, the default first.
RELAPSE_VARIANTS: tuple[Endpoint, ...] = (
    RELAPSE,
    RELAPSE_NOTED,
    RELAPSE_TREATED,
    RELAPSE_RECAST,
    RELAPSE_RECAST_OR_TENOTOMY,
    RELAPSE_SCORE,
    OPERATION,
    RELAPSE_RELEASE,
)
