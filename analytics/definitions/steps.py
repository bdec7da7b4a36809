"""The steps of the pathway: what one count of each is, and how long follow-up is asked for."""

from __future__ import annotations

#: Steps that do not count feet.
STEP_UNITS = {"rows_kept": "row", "children_seen": "child", "both_feet": "child"}

#: Steps that only tell of part of the step before: nobody leaves the way there.
ASIDES = ("both_feet", "tenotomy")

#: Days after the brace at which the flow asks who is still followed: relapse is rare later.
FLOW_HORIZON_DAYS = 730


def unit_of_step(step: str, default: str) -> str:
    """Return what one count of a step is."""
    return STEP_UNITS.get(step, default)
