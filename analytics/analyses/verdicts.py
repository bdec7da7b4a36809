"""The verdict of every foot or child under an indicator: exactly one of five."""

from __future__ import annotations

import pandas as pd

from analytics.courses.cohort import Cohort
from analytics.definitions.indicator import Indicator
from analytics.definitions.rules import evaluate

#: Always in this order; they add up to the units.
VERDICTS = ("outside", "immature", "unknown", "no", "yes")

#: Which verdict of a child's feet stands for the child, first match wins.
_CHILD_ORDER = {
    "any": ("yes", "unknown", "immature", "no", "outside"),
    "all": ("no", "unknown", "immature", "yes", "outside"),
}


def find_verdicts(cohort: Cohort, indicator: Indicator) -> pd.Series:
    """Return the verdict of every foot, or of every child where the indicator counts children.

    Parameters
    ----------
    cohort
        Feet at the cut-off.
    indicator
        A share.

    Returns
    -------
    Series
        ``verdict`` (text, one of ``VERDICTS``) on the index of the feet; for children on the
        index of each child's first foot in ``first_feet``.

    Notes
    -----
    A foot is outside when the population's rule is not true; immature when its origin lies less
    than the maturity before the cut-off; unknown when ``known`` is not true or the numerator
    rests on a missing value; else no or yes.
    """
    feet = cohort.feet
    inside = evaluate(indicator.population, feet, cohort.protocol).fillna(False)
    verdict = pd.Series("outside", index=feet.index, dtype="string", name="verdict")
    known = evaluate(indicator.known, feet, cohort.protocol).fillna(False)
    answer = evaluate(indicator.numerator, feet, cohort.protocol).where(known)
    said = answer.map({True: "yes", False: "no"}).astype("string").fillna("unknown")
    said = said.mask(find_immature(cohort, indicator), "immature")
    verdict = verdict.mask(inside, said)
    if indicator.unit == "child":
        return _of_children(feet, verdict, indicator.child_is)
    return verdict


def find_immature(cohort: Cohort, indicator: Indicator) -> pd.Series:
    """Return, per foot, whether its origin lies too near the cut-off for an answer."""
    feet = cohort.feet
    if not indicator.origin:
        return pd.Series(False, index=feet.index)
    latest = pd.Timestamp(cohort.cut_off) - pd.Timedelta(days=indicator.maturity_days)
    return (feet[indicator.origin] > latest).fillna(False)


def first_feet(feet: pd.DataFrame) -> pd.DataFrame:
    """Return one foot per child (first start, then side): it lends the child clinic and quarter."""
    ordered = feet.sort_values(["child", "started_on", "side"], na_position="last", kind="stable")
    return ordered.drop_duplicates("child").sort_index()


def _of_children(feet: pd.DataFrame, verdict: pd.Series, child_is: str) -> pd.Series:
    rank = verdict.map({name: i for i, name in enumerate(_CHILD_ORDER[child_is])}).astype("int64")
    best = rank.groupby(feet["child"]).transform("min")
    named = best.map(dict(enumerate(_CHILD_ORDER[child_is]))).astype("string")
    return named.loc[first_feet(feet).index].rename("verdict")
