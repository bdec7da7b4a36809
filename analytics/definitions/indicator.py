"""What a quality indicator is: a printed rule over the columns of the foot."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

BY_PROGRAMME = "set by the programme"


@dataclass(frozen=True)
class Indicator:
    """A number that a programme answers for.

    Parameters
    ----------
    code
        Stable name; its words are the labels ``measure.<code>``.
    area
        Part of the pathway: mix, access, casting, tenotomy, brace, follow_up, lasting, records.
    kind
        ``share`` (units with a verdict of yes), ``ratio`` (sum over sum of two columns), ``spread``
        (quantiles of a column) or ``curve`` (an endpoint read at a horizon).
    unit
        Who has a verdict: foot or child.
    counted
        What the denominator adds up where that is not the unit: cast, visit, interval, review,
        day, record.
    population
        Rule: who is asked. What is not true is outside.
    numerator
        Rule for a share; column for a ratio or a spread; endpoint for a curve.
    known
        Rule: without it the answer is unknown, whatever the numerator says.
    denominator
        Column summed below the line of a ratio; empty for a ratio per unit.
    origin
        Date column from which maturity counts; empty when it is mature at once.
    belongs_on
        Date column by which a unit belongs to a quarter, where there is no origin.
    maturity_days
        Days that must lie between the origin and the cut-off, or the window that says so.
    child_is
        For a child-level share: ``any`` (one foot is enough) or ``all`` (every foot must).
    horizon_days
        For a curve: where it is read.
    reading
        For a curve: ``kaplan_meier`` (a competing event ends observation) or ``aalen_johansen``
        (it counts against the event, which it makes impossible).
    scale
        ``percent``, ``per_100``, ``casts`` or ``days``.
    better
        ``higher``, ``lower`` or ``neither``.
    reference, source
        Usual range and who says so.
    rests_on_follow_up
        Whether those lost could move it, so that bounds are due.
    title
        Words of an indicator of the programme's own; ours have labels.
    presumed_no
        Rule: units counted as no only because nobody saw them again; for the bounds.
    """

    code: str
    area: str
    numerator: str
    population: str = "started_on != missing"
    kind: Literal["share", "ratio", "spread", "curve"] = "share"
    unit: Literal["foot", "child"] = "foot"
    counted: str = ""
    known: str = ""
    denominator: str = ""
    origin: str = ""
    belongs_on: str = "started_on"
    maturity_days: int | str = 0
    child_is: Literal["any", "all"] = "any"
    horizon_days: int = 0
    reading: Literal["kaplan_meier", "aalen_johansen"] = "kaplan_meier"
    scale: str = "percent"
    better: Literal["higher", "lower", "neither"] = "neither"
    reference: str = ""
    source: str = BY_PROGRAMME
    rests_on_follow_up: bool = False
    presumed_no: str = ""
    title: str = ""
