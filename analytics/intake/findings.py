"""What a rule finds: the visits where it does not hold, and what stood there."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from functools import cached_property

import numpy as np
import pandas as pd

from analytics.intake.course import Course


@dataclass(frozen=True)
class Finding:
    """The answer of one rule.

    Parameters
    ----------
    fails
        One truth value for each visit of the course.
    shown
        Name to values: what a person should see of a failing visit. One for each visit, or one for
        each failing one.
    """

    fails: np.ndarray
    shown: dict[str, np.ndarray] = field(default_factory=dict)

    @cached_property
    def at(self) -> np.ndarray:
        """Return the places of the failing visits."""
        return np.flatnonzero(self.fails)

    def tell(self) -> list[str]:
        """Return for each failing visit its shown values, "name=value" joined by commas."""
        columns = []
        for name, values in self.shown.items():
            own = values if len(values) == len(self.at) else values[self.at]
            codes, texts = _plain(own)
            said = [f"{name}={text}" for text in texts]
            columns.append([said[code] for code in codes.tolist()])
        return [", ".join(parts) for parts in zip(*columns, strict=True)] or [""] * len(self.at)


Rule = Callable[[Course], Finding]


def _plain(values: np.ndarray) -> tuple[np.ndarray, list[str]]:
    """Return values as places in their distinct texts; a missing number is an empty one."""
    if values.dtype.kind != "f":
        codes, distinct = pd.factorize(values)
        return codes, [*map(str, distinct)]
    codes, bits = pd.factorize(values.view(np.int64))  # tells 0 and -0 apart, as their texts do
    numbers = bits.view(np.float64)
    return codes, ["" if np.isnan(number) else f"{number:.10g}" for number in numbers]
