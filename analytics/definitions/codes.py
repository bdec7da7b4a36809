"""Closed vocabularies: the only values that a coded column may hold."""

from __future__ import annotations

SIDES = ("left", "right")
SEXES = ("female", "male")
YES_NO = ("yes", "no")
DATE_PRECISIONS = ("day", "month", "year")

#: Never merged: pathways and prognosis differ, and "unknown" is not "idiopathic".
DIAGNOSES = ("idiopathic", "syndromic", "neurogenic", "unknown")

#: What was done to the foot before it came to the network.
PRIOR_TREATMENTS = ("none", "casts", "tenotomy", "surgery", "unknown")

#: Why the foot was seen.
PURPOSES = (
    "assessment",
    "cast",
    "tenotomy",
    "brace_fitting",
    "brace_review",
    "procedure",
    "review",
)

#: Operations and other procedures besides the first tenotomy.
PROCEDURES = (
    "tenotomy",
    "tendon_lengthening",
    "tendon_transfer",
    "posterior_release",
    "posteromedial_release",
    "osteotomy",
    "other",
)

#: Caregiver-reported use of the brace since the last visit.
BRACE_USES = ("as_advised", "partly", "not")

RELAPSE_PARTS = ("equinus", "varus", "adductus", "cavus")

COMPLICATIONS = (
    "none",
    "cast_slippage",
    "skin_lesion",
    "swelling",
    "rocker_bottom",
    "bleeding",
    "nerve_or_vessel_injury",
    "other",
)

#: Why follow-up ended. A move inside the network is never an end: the child is linked.
DEPARTURES = (
    "completed",
    "moved_within_network",
    "moved_away",
    "died",
    "declined",
    "other",
)

#: Those of cutting the tendon; the others are of casts and braces.
TENOTOMY_COMPLICATIONS = ("bleeding", "nerve_or_vessel_injury")

VOCABULARIES: dict[str, tuple[str, ...]] = {
    "side": SIDES,
    "sex": SEXES,
    "yes_no": YES_NO,
    "precision": DATE_PRECISIONS,
    "diagnosis": DIAGNOSES,
    "prior_treatment": PRIOR_TREATMENTS,
    "purpose": PURPOSES,
    "procedure": PROCEDURES,
    "brace_use": BRACE_USES,
    "complication": COMPLICATIONS,
    "departure": DEPARTURES,
}
