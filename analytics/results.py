"""The shapes of result: one tidy frame whose columns are a contract, with its context."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date

import pandas as pd

#: What the columns of a shape hold. Only counts of people or feet are disclosive by themselves;
#: a figure is worked out from counts and falls with them.
KINDS = ("count", "figure", "time", "code", "flag")


@dataclass(frozen=True)
class Shape:
    """A contract: the columns of a result besides its groups, and what each holds.

    Parameters
    ----------
    name
        Name of the shape.
    columns
        Column to kind (one of ``KINDS``), in the order they are shown.
    """

    name: str
    columns: Mapping[str, str]

    def of_kind(self, *kinds: str) -> tuple[str, ...]:
        """Return the columns of these kinds, in order."""
        return tuple(column for column, kind in self.columns.items() if kind in kinds)


FLOW = Shape(
    "flow",
    {"step": "code", "n_in": "count", "n_out": "count", "reason": "code", "n_reason": "count"},
)
ESTIMATES = Shape(
    "estimates",
    {
        "measure": "code",
        "n": "count",
        "denominator": "count",
        "numerator": "count",
        "estimate": "figure",
        "lower": "figure",
        "upper": "figure",
        "outside": "count",
        "immature": "count",
        "unknown": "count",
    },
)
CURVE = Shape(
    "curve",
    {
        "state": "code",
        "time": "time",
        "at_risk": "count",
        "events": "count",
        "censored": "count",
        "estimate": "figure",
        "lower": "figure",
        "upper": "figure",
    },
)
EFFECTS = Shape(
    "effects",
    {
        "term": "code",
        "level": "code",
        "reference": "code",
        "n": "count",
        "events": "count",
        "estimate": "figure",
        "lower": "figure",
        "upper": "figure",
        "p": "figure",
    },
)
TREND = Shape(
    "trend",
    {
        "period": "code",
        "numerator": "count",
        "denominator": "count",
        "estimate": "figure",
        "centre": "figure",
        "lower_limit": "figure",
        "upper_limit": "figure",
        "signal": "code",
    },
)
COMPARISON = Shape(
    "comparison",
    {
        "unit": "code",
        "numerator": "count",
        "denominator": "count",
        "expected": "figure",
        "estimate": "figure",
        "shrunken": "figure",
        "lower": "figure",
        "upper": "figure",
        "flag": "code",
    },
)
PROFILE = Shape(
    "profile",
    {
        "variable": "code",
        "level": "code",
        "n": "count",
        "missing": "count",
        "centre": "figure",
        "spread": "figure",
        "statistic": "code",
    },
)


class PValue(float):
    """A p value: the display room writes it in its own way, as in ``< 0.001``."""


class Share(float):
    """A share (0 to 1) whose percent sign stands in the words around it."""


@dataclass(frozen=True)
class Phrase:
    """A sentence to be said later in any language: a label key and its values.

    A value that is itself a Phrase, a number or a date is worded by the display room.
    """

    key: str
    values: Mapping[str, object] = field(default_factory=dict)


@dataclass(frozen=True)
class OwnMeasure:
    """A measure that a programme defined: its words, what it counts, its scale and its kind."""

    title: str
    unit: str
    scale: str
    kind: str = "share"


@dataclass(frozen=True)
class Context:
    """What must stand beside a number so that it cannot be misread.

    Parameters
    ----------
    question
        Label key of the question (``question.<name>``); also the name of the result.
    population
        Who was counted, in words.
    unit
        What one count is: ``foot``, ``child``, ``series``, ``visit`` or ``row``.
    n_feet, n_children, n_clinics, n_events
        Sizes of what was analysed; None where it does not apply.
    exclusions
        Label key of the reason, and how many units it took out; None once withheld.
    method
        How the numbers were made, in words.
    reference
        Citation of the method; empty where none is needed.
    notes
        Assumptions, warnings, and reasons why something is not estimable.
    cut_off
        The day on which the exports were frozen.
    seed
        Seed of any random step, or None.
    fingerprint
        Fingerprint of the definitions in force.
    time_unit
        What the time of a curve is counted in: ``day`` or ``cast``.
    own_measures
        Measures that have no label, by code.
    """

    question: str
    population: Phrase
    unit: str
    cut_off: date
    method: Phrase
    reference: str = ""
    n_feet: int | None = None
    n_children: int | None = None
    n_clinics: int | None = None
    n_events: int | None = None
    exclusions: tuple[tuple[str, int | None], ...] = ()
    notes: tuple[Phrase, ...] = ()
    seed: int | None = None
    fingerprint: str = ""
    time_unit: str = "day"
    own_measures: Mapping[str, OwnMeasure] = field(default_factory=dict)


@dataclass(frozen=True)
class Result:
    """One shape, one frame, its groups, its context, and frames that belong beside it.

    Raises
    ------
    ValueError
        When the frame does not hold exactly the groups and the columns of the shape.
    """

    shape: Shape
    frame: pd.DataFrame
    context: Context
    groups: tuple[str, ...] = ()
    beside: Mapping[str, pd.DataFrame] = field(default_factory=dict)

    def __post_init__(self) -> None:
        wanted = [*self.groups, *self.shape.columns]
        if list(self.frame.columns) != wanted:
            raise ValueError(
                f"a {self.shape.name} by {self.groups} has columns {wanted}, "
                f"not {list(self.frame.columns)}"
            )

    @property
    def name(self) -> str:
        """Return the name of the question with the groups it was split by."""
        return "_by_".join([self.context.question, *self.groups])
