"""The verdict of every foot or child under an indicator: exactly one of five."""

from __future__ import annotations

import numpy as np
import pandas as pd

from analytics.analyses.followed import COMPETING, EVENT, follow
from analytics.courses.cohort import Cohort
from analytics.definitions.endpoints import ENDPOINTS
from analytics.definitions.indicator import Indicator
from analytics.definitions.rules import evaluate, find_values

#: Always in this order; they add up to the units.
VERDICTS = ("outside", "immature", "unknown", "no", "yes")
_OUTSIDE, _IMMATURE, _UNKNOWN, _NO, _YES = range(len(VERDICTS))

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
        Of any kind. Of a ratio or a spread, yes is a foot whose numbers are known. Of a curve, yes
        is a foot followed past the horizon free of the event, unknown one lost before it.

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
    places = find_places(cohort, indicator)
    named = pd.array(np.array(VERDICTS, dtype=object)[places.to_numpy()], dtype="string")
    return pd.Series(named, index=places.index, name="verdict")


def find_places(cohort: Cohort, indicator: Indicator) -> pd.Series:
    """Return the same verdicts as their places in ``VERDICTS``, in a fraction of the time."""
    if indicator.kind == "curve":
        return _of_curve(cohort, indicator)
    verdict = _of_feet(cohort, indicator)
    if indicator.unit != "child":
        return verdict
    if indicator.kind == "share" or not indicator.denominator:
        return _of_children(cohort.feet, verdict, indicator.child_is)
    # A quantity of the child itself is read from the foot that started first.
    return verdict.loc[_find_first(cohort.feet)]


def find_immature(cohort: Cohort, indicator: Indicator) -> pd.Series:
    """Return, per foot, whether its origin lies too near the cut-off for an answer."""
    feet = cohort.feet
    if not indicator.origin:
        return pd.Series(False, index=feet.index)
    days = find_maturity(cohort, indicator)
    latest = pd.Timestamp(cohort.cut_off) - pd.Timedelta(days=days)
    return (feet[indicator.origin] > latest).fillna(False)


def find_maturity(cohort: Cohort, indicator: Indicator) -> int:
    """Return the days after the origin from which an answer counts."""
    days = indicator.maturity_days
    if indicator.kind == "curve":
        days = indicator.horizon_days
    return int(getattr(cohort.protocol, days)) if isinstance(days, str) else days


def find_presumed(cohort: Cohort, indicator: Indicator) -> pd.Series:
    """Return, on the index of the verdicts, which units are a no only for want of a visit."""
    verdict = find_verdicts(cohort, indicator)
    if not indicator.presumed_no:
        return pd.Series(False, index=verdict.index)
    feet = cohort.feet
    holds = evaluate(indicator.presumed_no, feet, cohort.protocol).fillna(False)
    if indicator.unit == "child":
        # With "all", one foot that surely failed is enough for the child.
        sure = _of_feet(cohort, indicator).eq(_NO) & ~holds
        holds = holds.groupby(feet["child"]).transform("any")
        if indicator.child_is == "all":
            holds &= ~sure.groupby(feet["child"]).transform("any")
    return holds.loc[verdict.index].astype(bool) & verdict.eq("no")


def first_feet(feet: pd.DataFrame) -> pd.DataFrame:
    """Return one foot per child (first start, then side): it lends the child clinic and quarter."""
    return feet.loc[_find_first(feet)]


def _find_first(feet: pd.DataFrame) -> pd.Index:
    """Return the index of each child's first foot, in order."""
    known_by = ["child", "started_on", "side"]
    ordered = feet[known_by].sort_values(known_by, na_position="last", kind="stable")
    return ordered.drop_duplicates("child").sort_index().index


def _of_feet(cohort: Cohort, indicator: Indicator) -> pd.Series:
    feet, protocol = cohort.feet, cohort.protocol
    inside = evaluate(indicator.population, feet, protocol).fillna(False)
    known = evaluate(indicator.known, feet, protocol).fillna(False)
    if indicator.kind == "share":
        answer = evaluate(indicator.numerator, feet, protocol)
    else:
        names = [name for name in (indicator.numerator, indicator.denominator) if name]
        missing = pd.concat([find_values(name, feet).isna() for name in names], axis=1)
        answer = pd.Series(True, index=feet.index, dtype="boolean").mask(missing.any(axis=1))
    is_told = (known & answer.notna()).to_numpy(dtype=bool)
    said = np.where(answer.fillna(False).to_numpy(dtype=bool), _YES, _NO)
    said[~is_told] = _UNKNOWN
    said[find_immature(cohort, indicator).to_numpy(dtype=bool)] = _IMMATURE
    said[~inside.to_numpy(dtype=bool)] = _OUTSIDE
    return pd.Series(said, index=feet.index)


def _of_children(feet: pd.DataFrame, verdict: pd.Series, child_is: str) -> pd.Series:
    order = np.array([VERDICTS.index(name) for name in _CHILD_ORDER[child_is]])
    child, children = pd.factorize(feet["child"])
    best = np.full(len(children), len(order) - 1)
    np.minimum.at(best, child, np.argsort(order)[verdict.to_numpy()])
    return pd.Series(order[best[child]], index=feet.index).loc[_find_first(feet)]


def _of_curve(cohort: Cohort, indicator: Indicator) -> pd.Series:
    """Return verdicts at the horizon; a foot whose event another one made impossible is outside."""
    feet, horizon = cohort.feet, indicator.horizon_days
    endpoint = ENDPOINTS[indicator.numerator]
    inside = evaluate(indicator.population, feet, cohort.protocol).fillna(False)
    inside &= evaluate(endpoint.population, feet, cohort.protocol).fillna(False)
    inside &= feet[endpoint.origin].notna()
    rows = follow(cohort, endpoint).rows.reindex(feet.index)
    by_then = rows["time_days"] <= horizon
    never = (by_then & rows["ended"].eq(COMPETING)) | rows["entry_days"].ge(horizon)
    said = np.full(len(feet), _UNKNOWN)
    said[(rows["time_days"] >= horizon).to_numpy(dtype=bool)] = _YES
    said[(by_then & rows["ended"].eq(EVENT)).to_numpy(dtype=bool)] = _NO
    said[find_immature(cohort, indicator).to_numpy(dtype=bool)] = _IMMATURE
    said[never.to_numpy(dtype=bool)] = _OUTSIDE
    said[~inside.to_numpy(dtype=bool)] = _OUTSIDE
    return pd.Series(said, index=feet.index)
