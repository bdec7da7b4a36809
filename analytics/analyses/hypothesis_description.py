"""Those compared, by exposure: what they are like, and how far apart they are."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from itertools import combinations

import numpy as np
import pandas as pd

from analytics.analyses.context import Method, why_not
from analytics.analyses.groups import typed
from analytics.analyses.study import (
    Study,
    context_of,
    cut_of,
    design_of,
    in_levels,
    is_number,
    name_column,
    only_known,
)
from analytics.definitions.hypotheses import IMBALANCE
from analytics.errors import NotEstimableError
from analytics.results import ESTIMATES, PROFILE, Context, Phrase, Result
from analytics.stats.proportions import Interval
from analytics.stats.standardised import standardised_difference, standardised_distance

_REFERENCE = "Austin 2009, Stat Med 28:3083; Yang & Dalton 2012, SAS Global Forum 335"

#: Described whether or not they are adjusted for.
DESCRIBED = ("age_start_days", "sex", "diagnosis", "prior_treatment", "pirani_start", "bilateral")


def profile(study: Study) -> Result:
    """Return what the feet compared are like, by exposure.

    Returns
    -------
    Result
        A profile by the exposure (a number is split at its middle): levels of codes, mean and
        standard deviation of numbers, and how many have no value.
    """
    rows, groups, name = _rows(study)
    lines = [
        {name: group} | line
        for variable in _variables(study)
        for group in sorted(groups.unique())
        for line in _lines(rows.loc[groups.eq(group)], rows[variable])
    ]
    method = Method(Phrase("method.count"), notes=cut_of(rows, name))
    context = _context(study, rows, "described", method)
    frame = pd.DataFrame(lines, columns=[name, *PROFILE.columns])
    return Result(PROFILE, typed(frame, PROFILE, (name,)), context, (name,))


def differences(study: Study) -> Result:
    """Return how far apart those compared are, in units of their spread.

    Returns
    -------
    Result
        Estimates by variable: the standardised difference of the two levels of the exposure, or
        of its two levels that lie furthest apart; of codes with several levels the distance over
        all of them. ``n`` are units compared, ``unknown`` those without the value.
    """
    rows, groups, _ = _rows(study)
    lines, notes = [], []
    for variable in _variables(study):
        values = only_known(rows[variable])
        known = values.notna()
        line = {
            "variable": variable,
            "measure": "standardised_difference",
            "n": len(rows),
            "denominator": int(known.sum()),
            "numerator": pd.NA,
            "outside": 0,
            "immature": 0,
            "unknown": int((~known).sum()),
        }
        try:
            at = _furthest(values.loc[known], groups.loc[known])
            figures = {n: float(getattr(at, n)) for n in ("estimate", "lower", "upper")}
        except NotEstimableError as reason:
            told = {"which": name_column(variable), "why": why_not(reason)}
            notes.append(Phrase("note.one_not_estimable", told))
            figures = dict.fromkeys(("estimate", "lower", "upper"), np.nan)
        lines.append(line | figures)
    noted = (Phrase("note.imbalance", {"limit": IMBALANCE}), *notes)
    method = Method(Phrase("method.standardised"), _REFERENCE, noted)
    context = _context(study, rows, "balance", method)
    frame = pd.DataFrame(lines, columns=["variable", *ESTIMATES.columns])
    return Result(ESTIMATES, typed(frame, ESTIMATES, ("variable",)), context, ("variable",))


def _rows(study: Study) -> tuple[pd.DataFrame, pd.Series, str]:
    """Return the units compared that have an exposure, its levels, and its name."""
    name = study.hypothesis.exposure
    rows = study.asked.rows
    exposure = only_known(rows[name])
    rows = rows.loc[exposure.notna()]
    return rows, in_levels(exposure.dropna()), name


def _context(study: Study, rows: pd.DataFrame, question: str, method: Method) -> Context:
    """Return the context of those described, who may lack a value that the model needs."""
    name = study.hypothesis.exposure
    n_missing = len(study.asked.rows) - len(rows)
    exclusions = ((f"missing_{name}", n_missing),) if n_missing else ()
    design = replace(design_of(study, study.asked.rows), rows=rows, exclusions=exclusions)
    context = context_of(study, design, question, method)
    return replace(context, population=Phrase("population.described"))


def _variables(study: Study) -> list[str]:
    hypothesis = study.hypothesis
    named = [*hypothesis.adjust, hypothesis.subgroup, *DESCRIBED]
    return [n for n in dict.fromkeys(named) if n and n not in (hypothesis.exposure, "clinic")]


def _lines(rows: pd.DataFrame, whole: pd.Series) -> Iterator[dict[str, object]]:
    values = only_known(rows[str(whole.name)])
    known = values.dropna()
    n_missing = len(values) - len(known)
    base = {"variable": str(whole.name), "missing": n_missing}
    if is_number(whole):
        numbers = known.astype("float64")
        yield base | {
            "level": pd.NA,
            "n": len(known),
            "centre": numbers.mean() if len(numbers) else np.nan,
            "spread": numbers.std() if len(numbers) > 1 else np.nan,
            "statistic": "mean",
        }
        return
    counts = known.astype("string").value_counts()
    for level in sorted(only_known(whole).dropna().astype("string").unique()):
        n = int(counts.get(level, 0))
        yield base | {
            "level": level,
            "n": n,
            "centre": n / len(known) if len(known) else np.nan,
            "spread": np.nan,
            "statistic": "share",
        }


def _furthest(values: pd.Series, groups: pd.Series) -> Interval:
    """Return the largest difference between any two groups."""
    found = [
        _between(values.loc[groups.eq(first)], values.loc[groups.eq(second)])
        for second, first in combinations(sorted(groups.unique()), 2)
    ]
    if not found:
        raise NotEstimableError("one_group", n_groups=int(groups.nunique()))
    return max(found, key=lambda at: abs(float(at.estimate)))


def _between(first: pd.Series, second: pd.Series) -> Interval:
    if is_number(first):
        return standardised_difference(first.astype("float64"), second.astype("float64"))
    return standardised_distance(first.astype("string"), second.astype("string"))
