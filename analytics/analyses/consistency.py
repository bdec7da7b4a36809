"""Whether the numbers of a report agree with each other: sums, shares, parts and totals."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from analytics.courses.cohort import Cohort
from analytics.definitions.indicators import INDICATORS
from analytics.results import (
    COMPARISON,
    CURVE,
    EFFECTS,
    ESTIMATES,
    FLOW,
    PROFILE,
    TREND,
    Phrase,
    Result,
)

#: Differences that sums of so many fractions can have by rounding alone.
_SLACK = 1e-9

#: Estimates whose counts are of different things, so that they do not add up or divide.
_OWN_ARITHMETIC = (
    "coverage", "expected_children", "cost_per_child", "cost_per_corrected_foot",
    "cost_per_lasting_foot", "years_gained", "cost_per_year_gained",
)  # fmt: skip

_COUNTS = ("n", "denominator", "numerator", "outside", "immature", "unknown")


@dataclass(frozen=True)
class Fault:
    """Two numbers that do not agree.

    Parameters
    ----------
    code
        Which agreement is broken.
    where
        Result and row.
    message
        What was found and what it should have been.
    """

    code: str
    where: str
    message: Phrase


#: Groups that count the same units more than once: a share under several assumptions, a quarter
#: beside all time, a clinic beside the network.
_OVERLAPPING = frozenset({"parameter", "quarter_due", "whose"})


def check_result(result: Result) -> list[Fault]:
    """Return what does not add up inside one result, before anything is withheld."""
    frame = result.frame.reset_index(drop=True)
    tests = _TESTS.get(result.shape.name, ())
    faults = [
        _fault(code, result.name, frame, row, ~holds)
        for code, row, test in tests
        for holds in (test(frame, result),)
        if not holds.all()
    ]
    return faults + _check_context(result)


def check_cohort(cohort: Cohort) -> list[Fault]:
    """Return whether feet are left plus right, each once, and bilateral children count twice."""
    feet = cohort.feet
    n, n_children = len(feet), int(feet["child"].nunique())
    n_both = int(feet.groupby("child")["side"].nunique().eq(2).sum())
    sides = feet["side"].value_counts()
    left, right = int(sides.get("left", 0)), int(sides.get("right", 0))
    faults = []
    if left + right != n:
        faults.append(_said("sides", "feet", whole=n, parts=f"{left} + {right}"))
    if n_children + n_both != n:
        faults.append(_said("bilateral", "feet", whole=n, parts=f"{n_children} + {n_both}"))
    return faults


def check_together(
    tables: Sequence[tuple[str, Sequence[str], pd.DataFrame]], rounded_to: int = 1
) -> list[Fault]:
    """Return where a table split by groups does not add up to another table of the same report.

    Parameters
    ----------
    tables
        Name, groups and frame of each table of estimates; withheld cells are missing.
    rounded_to
        Multiple to which counts were rounded, each up to half of it from what it was.

    Notes
    -----
    Every foot has a clinic, so clinics add up to the network. Not every foot has a quarter or
    another group, so those may fall short of the whole, and may never exceed it. Where counts were
    rounded, rows of few were left out too, so clinics may fall short as well.
    """
    whole: dict[str, pd.Series] = {}
    for _, groups, frame in tables:
        if not groups and set(_COUNTS) <= set(frame):
            whole |= {str(row["measure"]): row for _, row in frame.iterrows()}
    faults = []
    for name, groups, frame in tables:
        if not groups or not set(_COUNTS) <= set(frame) or _OVERLAPPING & set(groups):
            continue
        for measure, part in frame.groupby("measure", sort=False):
            if str(measure) in whole:
                most_short = np.inf
                if list(groups) == ["clinic"] and rounded_to == 1:
                    most_short = 0
                most_over = (len(part) + 1) * (rounded_to // 2)
                ends = (most_over, most_short)
                faults += _compare(f"{name}, {measure}", part, whole[str(measure)], ends)
    return faults


def _compare(
    where: str, part: pd.DataFrame, total: pd.Series, ends: tuple[float, float]
) -> list[Fault]:
    """Return where the parts come to more, or to less, than they may (``ends``)."""
    faults = []
    for column in ("denominator", "numerator"):
        values = pd.to_numeric(part[column], errors="coerce")
        if values.isna().any() or pd.isna(total[column]):
            continue
        short = round(float(total[column])) - round(float(values.sum()))
        if not -ends[0] <= short <= ends[1]:
            faults.append(_said("parts", where, whole=int(total[column]), parts=int(values.sum())))
    return faults


def _check_context(result: Result) -> list[Fault]:
    n_feet, n_children = result.context.n_feet, result.context.n_children
    if n_feet is None or n_children is None or n_children <= n_feet <= 2 * n_children:
        return []
    return [_said("two_feet", result.name, whole=n_feet, parts=n_children)]


_Test = Callable[[pd.DataFrame, Result], np.ndarray]


def _sums(whole: str, *parts: str) -> _Test:
    def test(frame: pd.DataFrame, result: Result) -> np.ndarray:
        total = _numbers(frame, whole)
        added = np.sum([_numbers(frame, part) for part in parts], axis=0)
        holds = np.isnan(total) | np.isnan(added) | (total == added)
        # The denominator of a ratio is a sum, not units.
        return holds | _is_own(frame) | _is_kind("ratio", frame, result)

    return test


def _divides(frame: pd.DataFrame, result: Result) -> np.ndarray:
    """Shares and ratios equal their counts; quantiles and curves have none to equal."""
    ratio = _numbers(frame, "numerator") / _positive(frame, "denominator")
    found = _numbers(frame, "estimate")
    near = np.abs(found - ratio) <= _SLACK * np.maximum(1.0, np.abs(ratio))
    return np.isnan(found) | np.isnan(ratio) | near | _is_own(frame)


def _ordered(lower: str, middle: str, upper: str) -> _Test:
    def test(frame: pd.DataFrame, result: Result) -> np.ndarray:
        low, mid, high = (_numbers(frame, name) for name in (lower, middle, upper))
        below = np.isnan(low) | np.isnan(mid) | (low <= mid + _SLACK)
        above = np.isnan(high) | np.isnan(mid) | (mid <= high + _SLACK)
        return below & above

    return test


def _is_part(frame: pd.DataFrame, result: Result) -> np.ndarray:
    above, below = _numbers(frame, "numerator"), _numbers(frame, "denominator")
    return ~_is_kind("share", frame, result) | np.isnan(above) | np.isnan(below) | (above <= below)


def _flow_adds_up(frame: pd.DataFrame, result: Result) -> np.ndarray:
    keys = [*result.groups, "step"]
    reasons = frame.groupby(keys, dropna=False)["n_reason"].transform("sum").to_numpy(dtype=float)
    return _numbers(frame, "n_in") == _numbers(frame, "n_out") + reasons


def _curve_empties(frame: pd.DataFrame, result: Result) -> np.ndarray:
    """Those at risk later never exceed those at risk before less those who ended, plus entries."""
    keys = [*result.groups, "state"]
    left = frame["at_risk"] - frame["events"] - frame["censored"]
    return left.ge(0).fillna(True).to_numpy(dtype=bool) & ~frame[keys].isna().any(axis=1)


def _within(frame: pd.DataFrame, result: Result) -> np.ndarray:
    values = _numbers(frame, "estimate")
    return np.isnan(values) | ((values >= -_SLACK) & (values <= 1 + _SLACK))


def _numbers(frame: pd.DataFrame, column: str) -> np.ndarray:
    return frame[column].to_numpy(dtype=float, na_value=np.nan)


def _positive(frame: pd.DataFrame, column: str) -> np.ndarray:
    values = _numbers(frame, column)
    return np.where(values > 0, values, np.nan)


def _is_own(frame: pd.DataFrame) -> np.ndarray:
    if "measure" not in frame:
        return np.zeros(len(frame), dtype=bool)
    return frame["measure"].isin(_OWN_ARITHMETIC).to_numpy(dtype=bool)


def _is_kind(kind: str, frame: pd.DataFrame, result: Result) -> np.ndarray:
    """Return rows of indicators of a kind, ours or the programme's own."""
    kinds: dict[str, str] = {code: indicator.kind for code, indicator in INDICATORS.items()}
    kinds |= {code: measure.kind for code, measure in result.context.own_measures.items()}
    codes = frame["measure"].astype("string").str.split(".").str[0]
    return codes.map(kinds).eq(kind).fillna(False).to_numpy(dtype=bool)


def _fault(code: str, name: str, frame: pd.DataFrame, row: str, broken: np.ndarray) -> Fault:
    first = frame.loc[broken].iloc[0]
    shown = {str(key): value for key, value in first.items() if not pd.isna(value)}
    text = ", ".join(f"{key} {value}" for key, value in shown.items())
    return _said(code, f"{name}, {first.get(row, '')}", n=int(broken.sum()), row=text)


def _said(code: str, where: str, **values: object) -> Fault:
    return Fault(code, where, Phrase(f"fault.{code}", values))


_ADDS_UP = _sums("n", "denominator", "outside", "immature", "unknown")
_LIMITS = _ordered("lower", "estimate", "upper")

_TESTS: dict[str, tuple[tuple[str, str, _Test], ...]] = {
    ESTIMATES.name: (
        ("adds_up", "measure", _ADDS_UP),
        ("divides", "measure", _divides),
        ("is_part", "measure", _is_part),
        ("limits", "measure", _LIMITS),
    ),
    FLOW.name: (("flow", "step", _flow_adds_up),),
    CURVE.name: (
        ("curve", "state", _curve_empties),
        ("limits", "state", _LIMITS),
        ("within", "state", _within),
    ),
    EFFECTS.name: (("limits", "term", _LIMITS),),
    TREND.name: (("limits", "period", _ordered("lower_limit", "centre", "upper_limit")),),
    COMPARISON.name: (),
    PROFILE.name: (),
}
