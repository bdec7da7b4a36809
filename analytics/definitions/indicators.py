"""Quality indicators: each a printed rule over the columns of the foot.

To add one, add a constant to the catalogue and its words to the labels (``measure.<code>``).
"""

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


CASTS_TO_CORRECTION = Indicator(
    "casts_to_correction",
    "casting",
    "n_casts",
    population="is_corrected and prior_treatment == 'none'",
    kind="spread",
    scale="casts",
    reference="4-8",
    source="series means of 4.2-8.7 casts in 17 published series",
)
INITIAL_CORRECTION = Indicator(
    "initial_correction",
    "casting",
    "is_corrected",
    origin="started_on",
    maturity_days=183,
    better="higher",
    reference="90-98%",
    source="Richards 2008 (94.4% of 267 feet); Gelfer 2022",
    rests_on_follow_up=True,
)
TENOTOMY_RATE = Indicator(
    "tenotomy_rate",
    "tenotomy",
    "has_tenotomy",
    population="is_corrected and prior_treatment != 'tenotomy' and prior_treatment != 'surgery'",
    known="has_tenotomy != missing",
    reference="70-90%",
    source="Scher 2004 (72%); Smythe 2016 (78.9%); Islam 2020 (84-86%)",
)
DROPPED_OUT = Indicator(
    "dropped_out",
    "follow_up",
    "status == 'lost'",
    unit="child",
    known="status != missing",
    origin="started_on",
    maturity_days=183,
    better="lower",
    reference="16-17%",
    source="Pinto 2022 (155 of 965 children)",
)
DROPPED_OUT_CASTING = Indicator(
    "dropped_out_casting",
    "follow_up",
    "status == 'lost' and phase == 'casting'",
    unit="child",
    known="status != missing",
    origin="started_on",
    maturity_days=21,
    better="lower",
)
DROPPED_OUT_AFTER_TENOTOMY = Indicator(
    "dropped_out_after_tenotomy",
    "follow_up",
    "status == 'lost' and phase == 'after_tenotomy'",
    population="tenotomy_on != missing",
    unit="child",
    known="status != missing",
    origin="tenotomy_on",
    maturity_days=28,
    better="lower",
)
DROPPED_OUT_BRACING = Indicator(
    "dropped_out_bracing",
    "follow_up",
    "status == 'lost' and phase == 'bracing'",
    population="brace_on != missing",
    unit="child",
    known="status != missing",
    origin="brace_on",
    maturity_days=183,
    better="lower",
)
RELAPSE_FREE_1Y = Indicator(
    "relapse_free_1y",
    "lasting",
    "relapse",
    population="corrected_on != missing",
    kind="curve",
    horizon_days=365,
    origin="corrected_on",
    better="higher",
    source="definition-dependent; 84 studies gave 1.9-45% relapse (Thomas 2019)",
    rests_on_follow_up=True,
)
RELAPSE_FREE_2Y = Indicator(
    "relapse_free_2y",
    "lasting",
    "relapse",
    population="corrected_on != missing",
    kind="curve",
    horizon_days=730,
    origin="corrected_on",
    better="higher",
    source="definition-dependent; 84 studies gave 1.9-45% relapse (Thomas 2019)",
    rests_on_follow_up=True,
)

#: What every quarterly report begins with.
HEADLINE: tuple[Indicator, ...] = (
    CASTS_TO_CORRECTION,
    INITIAL_CORRECTION,
    TENOTOMY_RATE,
    DROPPED_OUT,
    DROPPED_OUT_CASTING,
    DROPPED_OUT_AFTER_TENOTOMY,
    DROPPED_OUT_BRACING,
    RELAPSE_FREE_1Y,
    RELAPSE_FREE_2Y,
)

INDICATORS: dict[str, Indicator] = {indicator.code: indicator for indicator in HEADLINE}
