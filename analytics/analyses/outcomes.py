"""Any outcome as rows for a model: who is asked, who answered, and who was lost."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from analytics.analyses.followed import CENSORED, EVENT, follow
from analytics.analyses.verdicts import find_presumed, find_verdicts, first_feet
from analytics.courses.cohort import Cohort
from analytics.definitions.hypotheses import Outcome
from analytics.definitions.indicator import Indicator
from analytics.definitions.rules import evaluate, find_values
from analytics.intake.frames import with_columns

Reasons = tuple[tuple[str, int], ...]


@dataclass(frozen=True)
class Asked:
    """Units under an outcome.

    Parameters
    ----------
    rows
        Units whose answer is known: columns of the foot with ``event`` (1, 0, or what is summed)
        and ``size`` (what the event is counted over); of a time also ``entry_days``,
        ``time_days``, ``free_days`` and ``ended``.
    lost
        The same columns for units that nobody saw to the end: their ``event`` is what would be
        counted if they stayed as they were last seen. Some of them may also stand in ``rows``.
    unit
        What a row is: foot or child.
    n_units
        Units of the cohort.
    outside, unanswered
        Reason and number of units that are not asked, and of those asked without an answer.
    """

    rows: pd.DataFrame
    lost: pd.DataFrame
    unit: str
    n_units: int
    outside: Reasons
    unanswered: Reasons


def ask(cohort: Cohort, outcome: Outcome, *, landmark_days: int = 0) -> Asked:
    """Return the units under an outcome.

    Parameters
    ----------
    cohort
        Feet at the cut-off.
    outcome
        Of any kind.
    landmark_days
        Of a time: feet are compared from this day after the origin on; those with the event or
        last seen by then are counted out.
    """
    return _BY_KIND[outcome.kind](cohort, outcome, landmark_days)


def find_outside(cohort: Cohort, outcome: Outcome) -> pd.Index:
    """Return the feet that an outcome does not ask about."""
    feet = cohort.feet
    if outcome.endpoint is not None:
        rules = [
            outcome.endpoint.population,
            outcome.indicator.population if outcome.indicator else "",
        ]
        inside = feet[outcome.endpoint.origin].notna()
        for rule in rules:
            inside &= evaluate(rule, feet, cohort.protocol).fillna(False)
        return feet.index[~inside]
    if outcome.indicator is not None:
        verdict = find_verdicts(cohort, outcome.indicator)
        return verdict.index[verdict.eq("outside")]
    return feet.index[feet["started_on"].isna()]


def _time(cohort: Cohort, outcome: Outcome, landmark_days: int) -> Asked:
    assert outcome.endpoint is not None  # by the kind
    followed = follow(cohort, outcome.endpoint)
    rows = _to_horizon(followed.rows, outcome.indicator)
    other = 0
    if outcome.indicator is not None:
        inside = evaluate(outcome.indicator.population, rows, cohort.protocol).fillna(False)
        other, rows = int((~inside).sum()), rows.loc[inside]
    late = rows["time_days"] > landmark_days
    begun = dict(followed.exclusions)
    unseen = begun.pop("not_seen_after_origin", 0)
    begun["outside_population"] = begun.get("outside_population", 0) + other
    rows = rows.loc[late].assign(
        event=lambda r: (r["ended"] == EVENT).astype(float),
        size=1.0,
        entry_days=lambda r: np.maximum(r["entry_days"], landmark_days),
    )
    is_lost = rows["status"].eq("lost").fillna(False) & rows["ended"].eq(CENSORED)
    return Asked(
        rows,
        rows.loc[is_lost],
        "foot",
        len(cohort.feet),
        _kept(begun.items()),
        _kept((("not_seen_after_origin", unseen), ("before_landmark", int((~late).sum())))),
    )


def _to_horizon(rows: pd.DataFrame, indicator: Indicator | None) -> pd.DataFrame:
    """Return rows that end at the horizon of an indicator which is read there."""
    if indicator is None:
        return rows
    horizon = indicator.horizon_days
    beyond = rows["time_days"] > horizon
    return rows.assign(
        time_days=rows["time_days"].clip(upper=horizon),
        ended=rows["ended"].mask(beyond, CENSORED),
    ).loc[rows["entry_days"] < horizon]


def _share(cohort: Cohort, outcome: Outcome, _: int) -> Asked:
    indicator = _indicator(outcome)
    verdict = find_verdicts(cohort, indicator)
    feet = cohort.feet.loc[verdict.index]
    feet = with_columns(feet, event=verdict.eq("yes").astype(float), size=1.0)
    is_lost = verdict.eq("unknown") | find_presumed(cohort, indicator)
    known = verdict.isin(["yes", "no"])
    return _from_verdicts(indicator, verdict, feet.loc[known], feet.loc[is_lost])


def _ratio(cohort: Cohort, outcome: Outcome, _: int) -> Asked:
    indicator = _indicator(outcome)
    # A ratio per child adds up both feet in the one that stands for the child.
    per_child = indicator.unit == "child" and not indicator.denominator
    verdict = find_verdicts(cohort, replace(indicator, unit="foot") if per_child else indicator)
    feet = cohort.feet.loc[verdict.index[verdict.eq("yes")]]
    above = find_values(indicator.numerator, feet).astype("float64")
    size = pd.Series(1.0, index=feet.index)
    if indicator.denominator:
        size = find_values(indicator.denominator, feet).astype("float64")
    if per_child:
        above = above.groupby(feet["child"]).transform("sum")
        verdict = find_verdicts(cohort, indicator)
    feet = with_columns(feet, event=above, size=size)
    feet = feet.loc[first_feet(feet).index if per_child else feet.index]
    return _from_verdicts(indicator, verdict, feet.loc[feet["size"] > 0], feet.iloc[:0])


def _mean(cohort: Cohort, outcome: Outcome, _: int) -> Asked:
    indicator = _indicator(outcome)
    verdict = find_verdicts(cohort, indicator)
    feet = cohort.feet.loc[verdict.index[verdict.eq("yes")]]
    values = find_values(indicator.numerator, feet).astype("float64")
    feet = with_columns(feet, event=values, size=1.0)
    return _from_verdicts(indicator, verdict, feet, feet.iloc[:0])


def _casts(cohort: Cohort, outcome: Outcome, _: int) -> Asked:
    feet = cohort.feet
    used = feet[outcome.column].astype("Float64")
    feet = with_columns(feet, event=used.astype("float64"), size=1.0)
    started = feet["started_on"].notna()
    corrected = started & feet["is_corrected"].fillna(False)
    counted = used.ge(1).fillna(False)
    unfinished = started & ~corrected
    return Asked(
        feet.loc[corrected & counted],
        feet.loc[unfinished & counted],
        "foot",
        len(feet),
        _kept((("no_cast_recorded", int((~started).sum())),)),
        _kept(
            (
                ("series_unfinished", int(unfinished.sum())),
                ("casts_not_known", int((corrected & ~counted).sum())),
            )
        ),
    )


def _from_verdicts(
    indicator: Indicator, verdict: pd.Series, rows: pd.DataFrame, lost: pd.DataFrame
) -> Asked:
    counts = verdict.value_counts()
    outside, immature = (int(counts.get(name, 0)) for name in ("outside", "immature"))
    no_answer = len(verdict) - outside - immature - len(rows)
    return Asked(
        rows,
        lost,
        indicator.unit,
        len(verdict),
        _kept((("outside_population", outside),)),
        _kept((("immature", immature), ("answer_not_known", no_answer))),
    )


def _indicator(outcome: Outcome) -> Indicator:
    assert outcome.indicator is not None  # by the kind
    return outcome.indicator


def _kept(reasons: object) -> Reasons:
    return tuple((str(name), int(n)) for name, n in reasons if n)  # type: ignore[attr-defined]


_BY_KIND: dict[str, Callable[[Cohort, Outcome, int], Asked]] = {
    "time": _time,
    "share": _share,
    "ratio": _ratio,
    "mean": _mean,
    "casts": _casts,
}
