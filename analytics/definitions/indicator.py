"""What a quality indicator is: a printed rule over the columns of the foot."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

SHARE, RATIO, SPREAD, CURVE = "share", "ratio", "spread", "curve"
BY_PROGRAMME = "set by the programme"


@dataclass(frozen=True)
class Indicator:
    """A number that a programme answers for.

    Parameters
    ----------
    code
        Stable name; its words are the labels ``measure.<code>``.
    area
        Part of the pathway: access, casting, tenotomy, brace, follow_up, lasting, records.
    kind
        ``share`` (units with a verdict of yes), ``ratio`` (sum over sum of two columns), ``spread``
        (quantiles of a column) or ``curve`` (an endpoint read at a horizon).
    unit
        What is counted: foot or child.
    population
        Rule: who is asked. What is not true is outside.
    numerator
        Rule for a share; column for a ratio or a spread; endpoint for a curve.
    known
        Rule: without it the answer is unknown, whatever the numerator says.
    denominator
        Column summed below the line of a ratio.
    origin
        Date column from which maturity counts; empty when it is mature at once.
    maturity_days
        Days that must lie between the origin and the cut-off.
    child_is
        For a child-level share: ``any`` (one foot is enough) or ``all`` (every foot must).
    horizon_days
        For a curve: where it is read.
    scale
        ``percent``, ``per_100``, ``casts`` or ``days``.
    better
        ``higher``, ``lower`` or ``neither``.
    reference, source
        Usual range and who says so.
    rests_on_follow_up
        Whether those lost could move it, so that bounds are due.
    """

    code: str
    area: str
    numerator: str
    population: str = "started_on != missing"
    kind: Literal["share", "ratio", "spread", "curve"] = "share"
    unit: Literal["foot", "child"] = "foot"
    known: str = ""
    denominator: str = ""
    origin: str = ""
    maturity_days: int = 0
    child_is: Literal["any", "all"] = "any"
    horizon_days: int = 0
    scale: str = "percent"
    better: Literal["higher", "lower", "neither"] = "neither"
    reference: str = ""
    source: str = BY_PROGRAMME
    rests_on_follow_up: bool = False
