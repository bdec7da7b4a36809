"""How the figures of a measure are written and drawn: its scale and its unit."""

from __future__ import annotations

from analytics.definitions.indicators import INDICATORS
from analytics.display import numbers

#: Measures that are no indicator.
_OWN_SCALES = {"casts_seen": "casts", "casts_fitted": "casts"}

#: Scale to what a figure is multiplied by, and its decimal places when written.
_WRITTEN = {
    "percent": (100.0, 1),
    "per_100": (100.0, 1),
    "casts": (1.0, 1),
    "days": (1.0, 0),
    "number": (1.0, 2),
    "ratio": (1.0, 2),
}


def scale_of(measure: str) -> str:
    """Return the scale of a measure: ``percent`` unless declared otherwise."""
    if measure in _OWN_SCALES:
        return _OWN_SCALES[measure]
    indicator = INDICATORS.get(measure.split(".")[0])
    return indicator.scale if indicator else "percent"


def unit_of(measure: str, default: str) -> str:
    """Return what a measure counts."""
    indicator = INDICATORS.get(measure.split(".")[0])
    return indicator.unit if indicator else default


def is_share(measure: str) -> bool:
    """Return whether the numerator is a part of the denominator."""
    return scale_of(measure) == "percent"


def times(scale: str) -> float:
    """Return by what a figure is multiplied when it is drawn or written."""
    return _WRITTEN[scale][0]


def shown(value: float | None, scale: str) -> float | None:
    """Return a figure in the unit in which it is drawn; None stays None."""
    return None if value is None else float(value) * times(scale)


def write(value: float, scale: str, language: str) -> str:
    """Return a figure in words of its scale, as in ``72.4%``."""
    if scale == "percent":
        return numbers.percent(value, language)
    if scale == "ratio":
        return numbers.ratio(value, language)
    factor, places = _WRITTEN[scale]
    return numbers.decimal(value * factor, language, places=places)


def write_limits(lower: float, upper: float, scale: str, language: str) -> str:
    """Return limits as one range without the sign of the scale, as in ``68.1-76.2``."""
    if scale == "percent":
        ends = (numbers.decimal(100 * end, language) for end in (lower, upper))
    else:
        ends = (write(end, scale, language) for end in (lower, upper))
    return numbers.interval(*ends)
