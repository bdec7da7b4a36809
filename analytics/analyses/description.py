"""Who was treated: children and feet as they were when casting began."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace

import numpy as np
import pandas as pd

from analytics.analyses.context import Method, describe
from analytics.analyses.groups import find_groups, typed
from analytics.analyses.verdicts import first_feet
from analytics.courses.cohort import Cohort
from analytics.intake.frames import with_columns
from analytics.results import PROFILE, Phrase, Result

#: What is told of children, and of feet; ``unknown`` as an answer stays its own level.
VARIABLES = {
    "child": ("age_band", "sex", "bilateral", "diagnosis", "prior_treatment"),
    "foot": ("side", "severity_band", "atypical", "pirani_start"),
}

#: Numbers, told by mean and standard deviation.
_NUMBERS = ("pirani_start",)
_AGE_BANDS = ("by_6w", "by_3m", "by_12m", "later")
_QUESTIONS = {"child": "described_children", "foot": "described_feet"}


def profile(cohort: Cohort, *, unit: str = "child", by: Sequence[str] = ()) -> Result:
    """Return how children, or feet, were when casting began, missing values counted.

    Parameters
    ----------
    cohort
        Feet at the cut-off.
    unit
        ``child`` (as its first foot) or ``foot``.
    by
        Columns of the foot.

    Returns
    -------
    Result
        A profile: levels with how many have each and their share of those known, and numbers
        with mean and standard deviation. Levels and those missing add up to all who began.
    """
    feet = first_feet(cohort.feet) if unit == "child" else cohort.feet
    began = feet.loc[feet["started_on"].notna()]
    began = with_columns(began, age_band=_age_bands(began, cohort), severity_band=_severity(began))
    names, codes, labels = find_groups(began, by)
    lines = []
    for place in range(len(labels)):
        rows = began.loc[codes.eq(place).to_numpy(), list(VARIABLES[unit])]
        for line in _describe(rows, began, VARIABLES[unit]):
            lines.append(line | {name: labels[name].iloc[place] for name in names})
    frame = pd.DataFrame(lines, columns=[*names, *PROFILE.columns])
    question = _QUESTIONS[unit]
    context = describe(cohort, question, began, method=Method(Phrase("method.count")), unit=unit)
    context = replace(context, population=Phrase(f"population.{question}"))
    return Result(PROFILE, typed(frame, PROFILE, names), context, tuple(names))


def _describe(
    rows: pd.DataFrame, every: pd.DataFrame, variables: Sequence[str]
) -> Iterator[dict[str, object]]:
    for name in variables:
        values = rows[name]
        shared = {"variable": name, "missing": int(values.isna().sum())}
        known = values.dropna()
        if name in _NUMBERS:
            numbers = known.astype("float64")
            yield shared | {
                "level": pd.NA,
                "n": len(numbers),
                "centre": numbers.mean() if len(numbers) else np.nan,
                "spread": numbers.std() if len(numbers) > 1 else np.nan,
                "statistic": "mean",
            }
            continue
        for level in _levels(name, every[name]):
            n = int(known.astype("string").str.lower().eq(level).sum())
            share = n / len(known) if len(known) else np.nan
            line = {"level": level, "n": n, "centre": share, "spread": np.nan}
            yield shared | line | {"statistic": "share"}


def _levels(name: str, values: pd.Series) -> list[str]:
    """Return the levels that occur, those of an order in it."""
    found = set(values.dropna().astype("string").str.lower())
    order = [*_AGE_BANDS, "mild", "moderate", "severe", "true", "false", "yes", "no", "idiopathic",
             "none"]  # fmt: skip
    return sorted(found, key=lambda level: (order.index(level) if level in order else 99, level))


def _age_bands(feet: pd.DataFrame, cohort: Cohort) -> pd.Series:
    protocol, age = cohort.protocol, feet["age_start_days"]
    edges = (protocol.early_start_days, protocol.infant_start_days,
             protocol.late_presenter_days - 1)  # fmt: skip
    bands = pd.Series(_AGE_BANDS[-1], index=feet.index, dtype="string")
    for band, edge in reversed(list(zip(_AGE_BANDS, edges, strict=False))):
        bands = bands.mask(age.le(edge).fillna(False), band)
    return bands.mask(age.isna())


def _severity(feet: pd.DataFrame) -> pd.Series:
    return feet["severity_band"].mask(feet["severity_band"].eq("unknown").fillna(False))
