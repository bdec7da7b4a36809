"""The catalogue of quality indicators, in the order of the pathway.

To add one, add a constant to ``indicators_mix``, ``indicators_treatment``, ``indicators_outcome``
or ``indicators_records`` and its words to the labels (``measure.<code>``). Ranges without a source
are for each programme to set.
"""

from __future__ import annotations

from analytics.definitions import indicators_mix as mix
from analytics.definitions import indicators_outcome as outcome
from analytics.definitions import indicators_records as records
from analytics.definitions import indicators_treatment as treatment
from analytics.definitions.indicator import Indicator

#: What every quarterly report begins with.
HEADLINE: tuple[Indicator, ...] = (
    treatment.CASTS_TO_CORRECTION,
    treatment.INITIAL_CORRECTION,
    treatment.TENOTOMY_RATE,
    outcome.DROPPED_OUT,
    outcome.DROPPED_OUT_CASTING,
    outcome.DROPPED_OUT_AFTER_TENOTOMY,
    outcome.DROPPED_OUT_BRACING,
    outcome.RELAPSE_FREE_1Y,
    outcome.RELAPSE_FREE_2Y,
)

#: What quarters and clinics are compared by: each is judged within a fixed time of its start.
COMPARED: tuple[Indicator, ...] = (
    treatment.INITIAL_CORRECTION,
    treatment.TENOTOMY_RATE,
    outcome.LOST_FIRST_YEAR,
)

#: What a clinic sees of itself beside the network.
OWN_NUMBERS: tuple[Indicator, ...] = (
    treatment.EARLY_START_3M,
    treatment.INITIAL_CORRECTION,
    treatment.TENOTOMY_RATE,
    treatment.FULL_TIME_COMPLETED,
    outcome.LOST_FIRST_YEAR,
    outcome.DROPPED_OUT,
    outcome.RELAPSE_FREE_1Y,
    outcome.RELAPSE_FREE_2Y,
)

#: What a funder asks, by section of the two pages: is it working, does it last, who is lost.
REACHED: tuple[Indicator, ...] = (treatment.EARLY_START_3M,)
ACHIEVED: tuple[Indicator, ...] = (
    treatment.INITIAL_CORRECTION,
    treatment.FULL_TIME_COMPLETED,
    outcome.RELEASE_AVOIDED,
)
LASTING: tuple[Indicator, ...] = (outcome.RELAPSE_FREE_1Y, outcome.RELAPSE_FREE_2Y)
LOST: tuple[Indicator, ...] = (outcome.DROPPED_OUT,)

INDICATORS: dict[str, Indicator] = {
    value.code: value
    for module in (mix, treatment, outcome, records)
    for value in vars(module).values()
    if isinstance(value, Indicator)
}


def in_area(area: str) -> tuple[Indicator, ...]:
    """Return the indicators of one part of the pathway, in order; empty for an unknown area."""
    return tuple(indicator for indicator in INDICATORS.values() if indicator.area == area)
