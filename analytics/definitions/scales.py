"""On which scale the figures of a measure are: shares, counts, days, money and so on."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Protocol

from analytics.definitions.indicators import INDICATORS
from analytics.definitions.waits import WAITS


class Scaled(Protocol):
    """Anything that says its scale."""

    @property
    def scale(self) -> str:
        """Return how its figures are written."""


#: Measures that are no indicator.
_SCALES = dict.fromkeys((wait.code for wait in WAITS), "days") | {
    "children_begun": "count",
    "feet_begun": "count",
    "feet_corrected": "count",
    "tenotomies": "count",
    "braces_fitted": "count",
    "relapses_seen": "count",
    "children_lost": "count",
    "casts": "casts",
    "casts_seen": "casts",
    "casts_fitted": "casts",
    "casts_expected": "casts",
    "casts_finished": "casts",
    "expected_children": "rounded",
    "cost_per_child": "rounded",
    "cost_per_corrected_foot": "rounded",
    "cost_per_lasting_foot": "rounded",
    "years_gained": "rounded",
    "median_follow_up": "days",
    "time_free_2y": "days",
    "lost_per_event": "number",
    "cost_per_year_gained": "rounded",
    "standardised_difference": "number",
    "rows_needed_80": "rounded",
    "rows_needed_90": "rounded",
}


def scale_of(measure: str, own: Mapping[str, Scaled] | None = None) -> str:
    """Return the scale of a measure: ``percent`` unless declared otherwise.

    Parameters
    ----------
    measure
        Code of a measure, or of a line of one (``code.line``).
    own
        Measures that the programme defined.
    """
    code = measure.split(".")[0]
    if code in _SCALES:
        return _SCALES[code]
    indicator = (own or {}).get(code) or INDICATORS.get(code)
    return indicator.scale if indicator else "percent"
