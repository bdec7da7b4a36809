"""Quality indicators: shares, ratios, quantiles and curve readings with clustered intervals."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import pandas as pd

from analytics.analyses.context import Method, describe, name_own
from analytics.analyses.groups import find_groups, join, typed
from analytics.analyses.indicator_rows import count_rows, read_counts
from analytics.analyses.view import View
from analytics.courses.cohort import Cohort
from analytics.definitions.indicator import Indicator
from analytics.results import ESTIMATES, Context, Phrase, Result
from analytics.stats.blocks import in_one_block

_METHOD = Method(
    Phrase("method.indicators"),
    "Korn & Graubard 1998, Surv Methodol 24:193; Wilson 1927, J Am Stat Assoc 22:209; "
    "Woodruff 1952, J Am Stat Assoc 47:635",
)


def estimates(
    cohort: Cohort,
    indicators: Sequence[Indicator],
    *,
    by: Sequence[str] = (),
    question: str = "indicators",
) -> Result:
    """Return every indicator for the network, or by columns of the foot.

    Parameters
    ----------
    cohort
        Feet at the cut-off.
    indicators
        What to count.
    by
        Columns of the foot, such as ``clinic`` or ``quarter``; a child counts where its first
        foot does.
    question
        Name of the question that these indicators answer together.

    Returns
    -------
    Result
        Estimates, one row per indicator (four for quantiles) and group. ``n`` is denominator +
        outside + immature + unknown; an estimate over nothing is missing.
    """
    names, codes, labels = find_groups(cohort.feet, by)
    parts, view, of_foot = [], View(cohort), codes.to_numpy()
    for indicator in indicators:
        counted = count_rows(view, indicator, of_foot, len(labels))
        each = in_one_block(counted.rows)
        parts.append(read_counts(indicator, counted.counts, each, cohort.protocol))
    context = describe_indicators(cohort, indicators, question)
    beside = {"children": count_children(cohort.feet)} if "clinic" in names else {}
    return Result(ESTIMATES, lay_out(parts, names, labels), context, tuple(names), beside)


def lay_out(
    parts: Sequence[pd.DataFrame], names: Sequence[str], labels: pd.DataFrame
) -> pd.DataFrame:
    """Return the frame of Estimates from those of each indicator, which have ``group``."""
    frame = join(parts, ESTIMATES)
    at = frame.pop("group").to_numpy(dtype=np.int64)
    for position, name in enumerate(names):
        frame.insert(position, name, labels[name].to_numpy()[at])
    return typed(frame, ESTIMATES, names)


def describe_indicators(cohort: Cohort, indicators: Sequence[Indicator], question: str) -> Context:
    """Return what stands beside indicators."""
    context = describe(cohort, question, cohort.feet, method=_METHOD)
    context = replace(context, population=Phrase("population.indicators"))
    return name_own(context, cohort, indicators)


def count_children(feet: pd.DataFrame) -> pd.DataFrame:
    """Return the children of each clinic, by which a policy decides what may stand alone."""
    return feet.groupby("clinic", observed=True)["child"].nunique().rename("children").reset_index()
