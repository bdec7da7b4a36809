"""How the figures of a measure are written and drawn: its scale and its unit."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from types import MappingProxyType

from analytics.definitions.indicators import INDICATORS
from analytics.definitions.labels import label, labels
from analytics.definitions.scales import scale_of
from analytics.display import numbers
from analytics.results import OwnMeasure

#: Units of measures that are no indicator.
_OWN_UNITS = {
    "children_begun": "child",
    "children_lost": "child",
    "coverage": "birth",
    "expected_children": "birth",
    "cost_per_child": "child",
    "years_gained": "child",
    "cost_per_year_gained": "child",
}

#: Shares by their scale whose numerator is not a part of the denominator.
_NO_PARTS = ("coverage", "follow_up_completeness")

#: Measures that a programme defined, from the context of a result.
Own = Mapping[str, OwnMeasure]
NO_OWN: Own = MappingProxyType({})

#: Scale to what a figure is multiplied by, and its decimal places when written.
_WRITTEN = {
    "percent": (100.0, 1),
    "steps": (100.0, 0),
    "per_100": (100.0, 1),
    "casts": (1.0, 1),
    "days": (1.0, 0),
    "number": (1.0, 2),
    "rounded": (1.0, 0),
    "count": (1.0, 0),
    "ratio": (1.0, 2),
}

#: Scales with more to their writing than decimal places.
_WRITERS: Mapping[str, Callable[[float, str], str]] = {
    "percent": numbers.percent,
    "steps": numbers.stepped_percent,
    "per_100": numbers.percent_number,
    "ratio": numbers.ratio,
    "rounded": numbers.rounded,
}


def name_of(measure: str, language: str, own: Own = NO_OWN) -> str:
    """Return the words of a measure; a line of one (``code.line``) has those of the line too."""
    code, _, line = measure.partition(".")
    title = own[code].title if code in own else ""
    if not title and f"measure.{measure}" in labels(language):
        return label(language, f"measure.{measure}")
    words = title or label(language, f"measure.{code}")
    return label(language, f"line.{line}", measure=words) if line else words


def unit_of(measure: str, default: str, own: Own = NO_OWN) -> str:
    """Return what a measure counts."""
    code = measure.split(".")[0]
    indicator = INDICATORS.get(code)
    if code in own:
        return own[code].unit
    if indicator:
        return indicator.counted or indicator.unit
    return _OWN_UNITS.get(code, default)


def asks(measure: str, default: str, own: Own = NO_OWN) -> str:
    """Return who is asked under a measure, foot or child, whatever its denominator adds up."""
    code = measure.split(".")[0]
    indicator = INDICATORS.get(code)
    if code in own:
        return own[code].unit
    return indicator.unit if indicator else default


def is_share(measure: str, own: Own = NO_OWN) -> bool:
    """Return whether the numerator is a part of the denominator."""
    return scale_of(measure, own) == "percent" and measure not in _NO_PARTS


def times(scale: str) -> float:
    """Return by what a figure is multiplied when it is drawn or written."""
    return _WRITTEN[scale][0]


def shown(value: float | None, scale: str) -> float | None:
    """Return a figure in the unit in which it is drawn; None stays None."""
    return None if value is None else float(value) * times(scale)


def write(value: float, scale: str, language: str) -> str:
    """Return a figure in words of its scale, as in ``72.4%``."""
    if scale in _WRITERS:
        return _WRITERS[scale](value, language)
    factor, places = _WRITTEN[scale]
    return numbers.decimal(value * factor, language, places=places)


def write_limits(lower: float, upper: float, scale: str, language: str) -> str:
    """Return limits as one range without the sign of the scale, as in ``68.1-76.2``."""
    if scale == "percent":
        ends = (numbers.percent_number(end, language) for end in (lower, upper))
    elif scale == "steps":
        ends = (numbers.decimal(100 * end, language, places=0) for end in (lower, upper))
    else:
        ends = (write(end, scale, language) for end in (lower, upper))
    return numbers.interval(*ends)
