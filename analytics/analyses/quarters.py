"""The quarter of the report: what was done in it, and what fell due in it."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace

import pandas as pd

from analytics.analyses import indicators
from analytics.analyses.context import Method, describe
from analytics.analyses.groups import join, typed
from analytics.analyses.verdicts import find_maturity
from analytics.courses.cohort import Cohort
from analytics.definitions.indicator import Indicator
from analytics.results import ESTIMATES, Phrase, Result

#: What is counted by quarter: a date of the foot, and whether children are counted by it.
DEEDS: dict[str, tuple[str, str]] = {
    "children_begun": ("started_on", "child"),
    "feet_begun": ("started_on", "foot"),
    "feet_corrected": ("corrected_on", "foot"),
    "tenotomies": ("tenotomy_on", "foot"),
    "braces_fitted": ("brace_on", "foot"),
    "relapses_seen": ("relapse_on", "foot"),
    "children_lost": ("lost_on", "child"),
}

#: This quarter, the three before it, and the same one a year ago.
N_QUARTERS = 5

#: The programme since it began.
SINCE_START = "all"


def counts(cohort: Cohort) -> Result:
    """Return what was done in the quarter of the cut-off and in the four before it.

    Returns
    -------
    Result
        Estimates by ``quarter_done``: the estimate is a count, so it has no interval. A child
        counts in the quarter of its first foot. A note says when no visit falls in the quarter of
        the cut-off: noughts then need not mean that nothing was done.
    """
    quarters = pd.period_range(end=_quarter(cohort), periods=N_QUARTERS, freq="Q")
    lines = []
    for deed, (date, unit) in DEEDS.items():
        on = cohort.feet[date].dropna()
        if unit == "child":
            on = on.groupby(cohort.feet.loc[on.index, "child"]).min()
        per_quarter = on.dt.to_period("Q").value_counts()
        for quarter in quarters:
            n = int(per_quarter.get(quarter, 0))
            line = {"quarter_done": str(quarter), "measure": deed, "n": n, "denominator": n}
            lines.append(line | {"estimate": float(n)})
    frame = pd.DataFrame(lines).assign(numerator=pd.NA, lower=pd.NA, upper=pd.NA)
    frame = frame.assign(outside=0, immature=0, unknown=0)
    method = Method(Phrase("method.count"), notes=_quiet(cohort))
    context = describe(cohort, "activity", cohort.feet, method=method)
    return Result(ESTIMATES, typed(frame, ESTIMATES, ["quarter_done"]), context, ("quarter_done",))


def _quiet(cohort: Cohort) -> tuple[Phrase, ...]:
    last = cohort.feet["last_seen_on"].max()
    if pd.isna(last) or last.to_period("Q") >= _quarter(cohort):
        return ()
    return (Phrase("note.quiet_quarter", {"last": last}),)


def estimates(cohort: Cohort, asked: Sequence[Indicator]) -> Result:
    """Return indicators over those whose answer fell due in this quarter, the last, and ever.

    Parameters
    ----------
    cohort
        Feet at the cut-off; its day decides which quarter is this one.
    asked
        Indicators. A unit falls due when it matures: its origin (``belongs_on`` where it has
        none) and the maturity or horizon. A child falls due with its first foot.

    Returns
    -------
    Result
        Estimates by ``quarter_due``: this quarter, the one before, and ``all``: the indicator as it
        stands since the programme began, with those too recent counted as such.
    """
    parts = []
    for indicator in asked:
        for span, inside in _spans(cohort, indicator):
            part = replace(cohort, feet=cohort.feet.loc[inside])
            parts.append(indicators.estimates(part, [indicator]).frame.assign(quarter_due=span))
    frame = join(parts, ESTIMATES)
    context = indicators.estimates(cohort, list(asked)).context
    context = replace(
        context,
        question="due",
        population=Phrase("population.due"),
        notes=(*context.notes, Phrase("note.due")),
    )
    return Result(ESTIMATES, typed(frame, ESTIMATES, ["quarter_due"]), context, ("quarter_due",))


def _spans(cohort: Cohort, indicator: Indicator) -> Iterator[tuple[str, pd.Series]]:
    """Yield this quarter, the last, and all time, with which feet fell due in it."""
    due, this = _due(cohort, indicator), _quarter(cohort)
    past = due.le(pd.Timestamp(cohort.cut_off)).fillna(False)
    quarter = due.dt.to_period("Q").astype("string")
    for span in (str(this), str(this - 1)):
        yield span, past & quarter.eq(span).fillna(False)
    yield SINCE_START, pd.Series(True, index=due.index)


def _due(cohort: Cohort, indicator: Indicator) -> pd.Series:
    """Return, per foot, the day on which the foot or its child falls due; missing for never."""
    feet = cohort.feet
    begins = feet[indicator.origin or indicator.belongs_on]
    due = begins + pd.Timedelta(days=find_maturity(cohort, indicator))
    return due.groupby(feet["child"]).transform("min") if indicator.unit == "child" else due


def _quarter(cohort: Cohort) -> pd.Period:
    return pd.Timestamp(cohort.cut_off).to_period("Q")
