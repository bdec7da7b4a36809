"""The verdict of every foot or child under an indicator: exactly one of five."""

from __future__ import annotations

import numpy as np
import pandas as pd

from analytics.analyses.followed import COMPETING, EVENT, time_feet
from analytics.analyses.view import View, find_first, number_children
from analytics.courses.cohort import Cohort
from analytics.definitions.endpoints import ENDPOINTS
from analytics.definitions.indicator import Indicator
from analytics.definitions.rules import evaluate

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
    unit, verdict = find_places(View(cohort), indicator)
    named = pd.array(np.array(VERDICTS, dtype=object)[verdict], dtype="string")
    return pd.Series(named, index=cohort.feet.index[unit], name="verdict")


def find_places(view: View, indicator: Indicator) -> tuple[np.ndarray, np.ndarray]:
    """Return the place of each unit's foot, and its verdict as its place in ``VERDICTS``."""
    if indicator.kind == "curve":
        return np.arange(len(view)), _of_curve(view, indicator)
    verdict = _of_feet(view, indicator)
    if indicator.unit != "child":
        return np.arange(len(view)), verdict
    if indicator.kind == "share" or not indicator.denominator:
        return view.first, _of_children(view, verdict, indicator.child_is)
    # A quantity of the child itself is read from the foot that started first.
    return view.first, verdict[view.first]


def find_immature(view: View, indicator: Indicator) -> np.ndarray:
    """Return, per foot, whether its origin lies too near the cut-off for an answer."""
    if not indicator.origin:
        return np.zeros(len(view), dtype=bool)
    days = find_maturity(view.cohort, indicator)
    latest = np.datetime64(view.cohort.cut_off, "s") - np.timedelta64(days, "D")
    origin = view.rules.values(indicator.origin)
    return origin.known & (origin.held > latest.view(np.int64))


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
        sure = ~holds & (_of_feet(View(cohort), indicator) == _NO)
        holds = holds.groupby(feet["child"]).transform("any")
        if indicator.child_is == "all":
            holds &= ~sure.groupby(feet["child"]).transform("any")
    return holds.loc[verdict.index].astype(bool) & verdict.eq("no")


def first_feet(feet: pd.DataFrame) -> pd.DataFrame:
    """Return one foot per child (first start, then side): it lends the child clinic and quarter."""
    return feet.iloc[find_first(feet, number_children(feet))]


def _of_feet(view: View, indicator: Indicator) -> np.ndarray:
    rules = view.rules
    if indicator.kind == "share":
        answer = rules.read(indicator.numerator)
        is_told, is_yes = answer.known, answer.yes
    else:
        names = [name for name in (indicator.numerator, indicator.denominator) if name]
        is_told = is_yes = np.logical_and.reduce([rules.values(name).known for name in names])
    said = np.where(is_yes, _YES, _NO)
    said[~(rules.read(indicator.known).yes & is_told)] = _UNKNOWN
    said[find_immature(view, indicator)] = _IMMATURE
    said[~rules.read(indicator.population).yes] = _OUTSIDE
    return said


def _of_children(view: View, verdict: np.ndarray, child_is: str) -> np.ndarray:
    """Return the verdict of each child, in the order of their first feet."""
    order = np.array([VERDICTS.index(name) for name in _CHILD_ORDER[child_is]])
    best = np.full(view.n_children, len(order) - 1)
    np.minimum.at(best, view.child, np.argsort(order)[verdict])
    return order[best[view.child[view.first]]]


def _of_curve(view: View, indicator: Indicator) -> np.ndarray:
    """Return verdicts at the horizon; a foot whose event another one made impossible is outside."""
    horizon, timed = indicator.horizon_days, time_feet(view, ENDPOINTS[indicator.numerator])
    by_then, entered = timed.time <= horizon, timed.entry >= horizon
    said = np.full(len(view), _UNKNOWN)
    said[timed.place[timed.time >= horizon]] = _YES
    said[timed.place[by_then & (timed.ended == EVENT)]] = _NO
    said[find_immature(view, indicator)] = _IMMATURE
    said[timed.place[(by_then & (timed.ended == COMPETING)) | entered]] = _OUTSIDE
    said[~(timed.inside & view.rules.read(indicator.population).yes)] = _OUTSIDE
    return said
