"""What a rule finds: the visits where it does not hold, and what stood there."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np

from analytics.intake.course import Course


@dataclass(frozen=True)
class Finding:
    """The answer of one rule.

    Parameters
    ----------
    fails
        One truth value for each visit of the course.
    shown
        Name to values: what a person should see of a failing visit.
    """

    fails: np.ndarray
    shown: dict[str, np.ndarray] = field(default_factory=dict)

    def tell(self) -> list[str]:
        """Return for each failing visit its shown values, "name=value" joined by commas."""
        at = np.flatnonzero(self.fails)
        columns = [
            [f"{name}={_plain(v)}" for v in values[at]] for name, values in self.shown.items()
        ]
        return [", ".join(parts) for parts in zip(*columns, strict=True)] or [""] * len(at)


Rule = Callable[[Course], Finding]


def _plain(value: object) -> str:
    if isinstance(value, float | np.floating):
        return "" if np.isnan(value) else f"{value:.10g}"
    return str(value)
