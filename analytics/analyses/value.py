"""What treatment cost and what it was worth, where a programme states its spending."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from analytics.analyses import indicators
from analytics.analyses.context import Method, describe
from analytics.analyses.groups import typed
from analytics.courses.cohort import Cohort
from analytics.definitions.burden import COST_PER_CHILD, Burden, Published, Spending
from analytics.definitions.indicator import Indicator
from analytics.definitions.indicators import INDICATORS
from analytics.errors import NotEstimableError
from analytics.results import ESTIMATES, Context, Phrase, Result
from analytics.stats.combine import between, divide, exactly, multiply
from analytics.stats.proportions import Interval

_GROUPS = ("period", "currency")
_COSTS = ("cost_per_child", "cost_per_corrected_foot")
_PARAMETERS = ("spending", "dalys_per_child", "success")

#: What worth rests on: of the children begun, and of the feet corrected.
_SHARES = {
    "success": INDICATORS["casting_completed"],
    "lasting": INDICATORS["relapse_free_2y"],
}


@dataclass(frozen=True)
class _Basis:
    """What the value of one period rests on."""

    spent: Spending
    n_started: int
    n_corrected: int
    still_corrected: Interval
    success: Interval
    burden: Burden
    notes: tuple[Phrase, ...]


def estimates(
    cohort: Cohort, spending: Sequence[Spending], *, burden: Burden | None = None
) -> Result:
    """Return cost per child, per corrected foot, per foot that stays so, and per year gained.

    Parameters
    ----------
    cohort
        Feet at the cut-off.
    spending
        One line per period and currency.
    burden
        Published numbers in force; the default ones when not given.

    Returns
    -------
    Result
        Estimates by period and currency. ``cost_per_child``: spending over children begun in the
        period; ``cost_per_corrected_foot``: over feet corrected in it;
        ``cost_per_lasting_foot``: over those feet times their share free of relapse at two years;
        ``years_gained``: children begun times the published healthy years, times the share of
        these children who completed casting over the success assumed there;
        ``cost_per_year_gained``. Where those of the period are too few or too recent, the share
        of the whole programme stands in and a note says so. Numerators are spending in whole
        units, denominators what was counted.

    Raises
    ------
    NotEstimableError
        ``no_spending`` when none is given.
    """
    used = burden or Burden()
    every = [_find_basis(cohort, spent, used) for spent in _given(spending)]
    frame = pd.concat([_value(basis) for basis in every], ignore_index=True)
    context = _describe(cohort, used, [note for basis in every for note in basis.notes])
    return Result(ESTIMATES, typed(frame, ESTIMATES, _GROUPS), context, groups=_GROUPS)


def last_spending(
    cohort: Cohort, spending: Sequence[Spending], *, burden: Burden | None = None
) -> Result:
    """Return what a child begun and a foot corrected cost in the last period of spending.

    Returns
    -------
    Result
        ``cost_per_child`` and ``cost_per_corrected_foot`` as in ``estimates``, by currency; the
        period stands in the population. Empty when no spending is stated.
    """
    used = burden or Burden()
    last = max(spending, key=lambda spent: spent.last_on, default=None)
    if last is None:
        nothing = pd.DataFrame(columns=["currency", *ESTIMATES.columns])
        context = replace(_describe(cohort, used), question="last_spending")
        return Result(ESTIMATES, nothing, context, groups=("currency",))
    of_last = [spent for spent in spending if spent.period == last.period]
    whole = estimates(cohort, of_last, burden=used)
    frame = whole.frame[whole.frame["measure"].isin(_COSTS)].drop(columns="period")
    population = Phrase("population.last_spending", {"period": last.period})
    context = replace(whole.context, question="last_spending", population=population)
    return Result(ESTIMATES, frame.reset_index(drop=True), context, groups=("currency",))


def sensitivity(
    cohort: Cohort, spending: Sequence[Spending], *, burden: Burden | None = None
) -> Result:
    """Return the cost of a healthy year as one number at a time goes to the ends of its range.

    Returns
    -------
    Result
        Estimates by period, currency and ``parameter`` (``spending``, ``dalys_per_child``,
        ``success``): the estimate, and as limits the cost at the ends of that parameter's range.

    Raises
    ------
    NotEstimableError
        ``no_spending`` when none is given.
    """
    used = burden or Burden()
    lines = []
    for spent in _given(spending):
        basis = _find_basis(cohort, spent, used)
        base = _cost_per_year(basis)
        for parameter in _PARAMETERS:
            ends = [float(_cost_per_year(b).estimate) for b in _at_ends(basis, parameter)]
            lines.append(
                _line(basis, "cost_per_year_gained", exactly(base.estimate), basis.n_started)
                | {"parameter": parameter, "lower": min(ends), "upper": max(ends)}
            )
    groups = (*_GROUPS, "parameter")
    frame = typed(pd.DataFrame(lines), ESTIMATES, groups)
    described = _describe(cohort, used)
    notes = (Phrase("note.ends_of_range"), *described.notes)
    context = replace(described, question="value_sensitivity", notes=notes)
    return Result(ESTIMATES, frame, context, groups=groups)


def _given(spending: Sequence[Spending]) -> Sequence[Spending]:
    if not spending:
        raise NotEstimableError("no_spending", n_lines=0)
    return spending


def _find_basis(cohort: Cohort, spent: Spending, burden: Burden) -> _Basis:
    feet = cohort.feet
    first, last = pd.Timestamp(spent.first_on), pd.Timestamp(spent.last_on)
    corrected = feet["corrected_on"].between(first, last).fillna(False)
    # A child counts in the period in which its first foot began.
    begun = feet.groupby("child")["started_on"].transform("min").between(first, last).fillna(False)
    n_started = int(feet.loc[begun, "child"].nunique())
    success, of_success = _read("success", cohort, begun, spent)
    lasting, of_lasting = _read("lasting", cohort, corrected, spent)
    notes = (of_success, of_lasting)
    return _Basis(spent, n_started, int(corrected.sum()), lasting, success, burden, notes)


def _read(
    name: str, cohort: Cohort, of_period: pd.Series, spent: Spending
) -> tuple[Interval, Phrase]:
    """Return a share among the feet of a period, else of the whole programme, and which it is."""
    key, line = f"value_{name}", _count(_SHARES[name], cohort, cohort.feet.loc[of_period])
    if pd.isna(line["estimate"]) or line["denominator"] < cohort.protocol.few_children:
        key, line = f"value_{name}_whole", _count(_SHARES[name], cohort, cohort.feet)
    n, share = int(line["denominator"]), 0
    if pd.isna(line["estimate"]):
        key = f"value_{name}_none"
    else:
        share = round(100 * float(line["estimate"]))
    told = Phrase(f"note.{key}", {"period": spent.period, "n_counted": n, "share": share})
    ends = line[["estimate", "lower", "upper"]].astype("Float64").to_numpy(float, na_value=np.nan)
    return between(*ends), told


def _count(indicator: Indicator, cohort: Cohort, feet: pd.DataFrame) -> pd.Series:
    return indicators.estimates(replace(cohort, feet=feet), [indicator]).frame.iloc[0]


def _value(basis: _Basis) -> pd.DataFrame:
    amount = exactly(basis.spent.amount)
    children, feet = exactly(_some(basis.n_started)), exactly(_some(basis.n_corrected))
    years = _years(basis)
    lines = [
        _line(basis, "cost_per_child", divide(amount, children), basis.n_started),
        _line(basis, "cost_per_corrected_foot", divide(amount, feet), basis.n_corrected),
        _line(
            basis,
            "cost_per_lasting_foot",
            divide(amount, multiply(feet, basis.still_corrected)),
            basis.n_corrected,
        ),
        _line(basis, "years_gained", years, basis.n_started) | {"numerator": pd.NA},
        _line(basis, "cost_per_year_gained", _cost_per_year(basis), basis.n_started),
    ]
    return pd.DataFrame(lines)


def _line(basis: _Basis, measure: str, value: Interval, n: int) -> dict[str, object]:
    is_open = bool(value.lower < value.upper)
    return {
        "period": basis.spent.period,
        "currency": basis.spent.currency,
        "measure": measure,
        "n": n,
        "denominator": n,
        "numerator": round(basis.spent.amount),
        "estimate": float(value.estimate),
        # What is taken as known has no interval.
        "lower": float(value.lower) if is_open else np.nan,
        "upper": float(value.upper) if is_open else np.nan,
        "outside": 0,
        "immature": 0,
        "unknown": 0,
    }


def _some(n: int) -> float:
    return float(n) if n else np.nan


def _years(basis: _Basis) -> Interval:
    """Return healthy years of the children begun: published years, our success over theirs."""
    assumed = _interval(basis.burden.success_assumed)
    per_child = multiply(_interval(basis.burden.dalys_per_child), divide(basis.success, assumed))
    return multiply(exactly(_some(basis.n_started)), per_child)


def _cost_per_year(basis: _Basis) -> Interval:
    return divide(exactly(basis.spent.amount), _years(basis))


def _interval(number: Published) -> Interval:
    return between(number.value, number.lower, number.upper)


def _at_ends(basis: _Basis, parameter: str) -> list[_Basis]:
    """Return the basis with one parameter at either end of its range."""
    if parameter == "success":
        ends = (basis.success.lower, basis.success.upper)
        return [replace(basis, success=exactly(end)) for end in ends]
    if parameter == "spending":
        part = basis.burden.spending_range
        return [
            replace(basis, spent=replace(basis.spent, amount=basis.spent.amount * times))
            for times in (part.lower, part.upper)
        ]
    years = basis.burden.dalys_per_child
    return [
        replace(
            basis,
            burden=replace(basis.burden, dalys_per_child=replace(years, value=end)),
        )
        for end in (years.lower, years.upper)
    ]


def _describe(cohort: Cohort, burden: Burden, notes: Sequence[Phrase] = ()) -> Context:
    years, success = burden.dalys_per_child, burden.success_assumed
    told = (
        *notes,
        Phrase("note.value_ranges"),
        Phrase(
            "note.published_value",
            {"years": years.value, "lower": years.lower, "upper": years.upper,
             "success": success.value, "source": years.source},
        ),
        Phrase(
            "note.published_cost",
            {"cost": COST_PER_CHILD.value, "per_year": COST_PER_CHILD.value / years.value,
             "source": COST_PER_CHILD.source},
        ),
        Phrase("note.spending_stated"),
    )  # fmt: skip
    method = Method(Phrase("method.value"), "Zou & Donner 2008, Stat Med 27:1693", told)
    return describe(cohort, "value", cohort.feet, method=method)
