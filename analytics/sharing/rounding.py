"""Counts to tens and figures in steps, so that a reader has nothing exact to subtract."""

from __future__ import annotations

import numpy as np
import pandas as pd

from analytics.definitions.policies import Policy
from analytics.definitions.scales import scale_of
from analytics.results import COMPARISON, EFFECTS, ESTIMATES, PROFILE, TREND, Result
from analytics.sharing.steps import (
    as_figures,
    share_step,
    to_one_digit,
    to_step,
    up_the_ladder,
)

#: Few of many are shown as nearly none; of how many at least, as a share.
_MOST_AT_THE_EDGE = 0.05

#: Figures that are of another size than those beside them.
_OF_OWN_SIZE = ("expected", "spread")

#: Larger than this is no share.
_WHOLE = 1.0

_NEAR = 1e-9

#: The count that the figures of a row rest on, and whether a table without groups is split as well.
_BASE = {
    ESTIMATES.name: ("denominator", False),
    TREND.name: ("denominator", True),
    COMPARISON.name: ("denominator", True),
    EFFECTS.name: ("n", False),
    PROFILE.name: ("n", True),
}

#: Lines of one measure that count those lost as this or that.
_LINES = r"\.(?:seen|lowest|highest)$"

#: Why those did not go on who are too few for each reason to be told.
FEW = "too_few_each"

#: Why units were not counted.
_NOT_COUNTED = ("outside", "immature", "unknown")


def round_count(value: int | None, policy: Policy) -> int | None:
    """Return a count to the policy's multiple; None where it is too small to show."""
    if value is None or value < policy.smallest_count:
        return None
    # Halves go up, so that each multiple stands for as many counts as any other.
    return (value + policy.rounded_to // 2) // policy.rounded_to * policy.rounded_to


def round_table(
    result: Result, frame: pd.DataFrame, policy: Policy
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Return a table as the public may see it, and which of its cells were withheld.

    Parameters
    ----------
    result
        Any shape but a curve.
    frame
        Its typed frame.
    policy
        One with a smallest count.

    Returns
    -------
    frame, hidden
        Counts to the nearest multiple, those too small missing; figures in steps. Rows of a split
        table that rest on too few are left out: that there are any would tell that someone is
        there. Why units were not counted is told for all groups together.

    Notes
    -----
    Rounding to a base as in Hundepool et al. 2012, Statistical Disclosure Control, chapter 5. A
    count of 5 to 14 is shown as 10, and so on, so no sum or difference of shown counts is exact,
    whatever tables they come from and however often a report is made. A count of 1 to 4 would be
    known for certain only if all that it is worked out from lay at the very ends of what it may
    be, upward and downward at once. In a single sum that cannot be: the least that is left for it
    is odd, and the most ends in 4 or 9.
    """
    shown = frame.copy()
    for column in result.shape.of_kind("count"):
        shown[column] = frame[column].map(lambda n: round_count(int(n), policy), "ignore")
        shown[column] = shown[column].astype("Int64")
    if result.groups and result.shape is ESTIMATES:
        shown = shown.assign(**{c: pd.array([pd.NA] * len(shown), "Int64") for c in _NOT_COUNTED})
    if result.shape.name not in _BASE:
        return _join_few_reasons(shown, shown.isna() & frame.notna())
    base, is_split = _BASE[result.shape.name]
    shown = _round_figures(result, frame, shown, policy)
    hidden = shown.isna() & frame.notna()
    shown = _without_line_counts(shown)
    if is_split or result.groups:
        kept = shown["n" if "n" in shown else base].notna()
        shown, hidden = (f.loc[kept].reset_index(drop=True) for f in (shown, hidden))
    return shown, hidden


def _join_few_reasons(
    shown: pd.DataFrame, hidden: pd.DataFrame
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Return a flow whose reasons of too few each are one line of a step, not told apart."""
    few = hidden["n_reason"]
    again = shown.loc[few].duplicated("step").reindex(shown.index, fill_value=False)
    shown = shown.assign(reason=shown["reason"].mask(few, FEW))
    return tuple(f.loc[~again].reset_index(drop=True) for f in (shown, hidden))


def _without_line_counts(shown: pd.DataFrame) -> pd.DataFrame:
    """Return a table without the counts of lines of one measure.

    They differ by those lost: side by side they would tell how many.
    """
    if "measure" not in shown:
        return shown
    lines = shown["measure"].str.contains(_LINES).fillna(False)
    counts = ["denominator", "numerator", "unknown"]
    return shown.assign(**{c: shown[c].mask(lines) for c in counts})


def _round_figures(
    result: Result, frame: pd.DataFrame, shown: pd.DataFrame, policy: Policy
) -> pd.DataFrame:
    """Return a table whose counts are rounded with its figures in steps, gone on too few."""
    n = _find_bases(result, shown, policy)
    gone = np.isnan(n) | (n < policy.smallest_base)
    if result.shape is EFFECTS:
        gone |= (shown["events"].isna() & frame["events"].notna()).to_numpy()
    scales = _find_scales(result, frame)
    figures = [c for c in result.shape.of_kind("figure") if c != "p"]
    values = {c: frame[c].to_numpy(dtype=float, na_value=np.nan) for c in figures}
    values = _from_shown_counts(values, frame, shown, scales)
    if result.shape is PROFILE:
        told = shown["n"].to_numpy(dtype=float, na_value=np.nan) / n
        values["centre"] = np.where(scales == "percent", told, values["centre"])
    steps = _find_steps(values, scales, n, policy)
    side = _find_sides(frame, scales, policy)
    gone |= (side != 0) & (n < policy.smallest_count / _MOST_AT_THE_EDGE)
    for column in figures:
        stepped = to_step(values[column], steps[column], column)
        if column in ("estimate", "lower", "upper"):
            # Nearly none, and nearly all: that a few are left must not tell how few.
            known = ~np.isnan(stepped)
            stepped[known & (side < 0) & (column != "upper")] = 0.0
            stepped[known & (side > 0) & (column != "lower")] = 1.0
        stepped[gone] = np.nan
        if column == "estimate":
            # Rounded counts alone must not make all or none of what is neither.
            exact = to_step(frame[column].to_numpy(dtype=float, na_value=np.nan), steps[column])
            is_between = (scales == "percent") & _is_counted(frame) & (exact > 0) & (exact < 1)
            within = np.clip(stepped, steps[column], 1 - steps[column])
            stepped = np.where(is_between & (side == 0), within, stepped)
            is_end = (scales == "percent") & _is_counted(frame) & ((exact == 0) | (exact == 1))
            stepped = np.where(is_end & ~gone, exact, stepped)
            stepped = np.where(scales == "count", _round_all(values[column], policy), stepped)
        shown[column] = as_figures(stepped)
    if "p" in shown:
        p = frame["p"].to_numpy(dtype=float, na_value=np.nan)
        shown["p"] = as_figures(np.where(gone, np.nan, to_one_digit(p)))
    signals = [c for c in ("signal", "flag") if c in shown]
    return shown.assign(**{c: shown[c].mask(gone) for c in signals})


def _is_counted(frame: pd.DataFrame) -> np.ndarray:
    """Return which rows tell how many are above the line."""
    is_told = "numerator" in frame
    return (
        frame["numerator"].notna().to_numpy(dtype=bool) if is_told else np.zeros(len(frame), bool)
    )


def _from_shown_counts(
    values: dict[str, np.ndarray], frame: pd.DataFrame, shown: pd.DataFrame, scales: np.ndarray
) -> dict[str, np.ndarray]:
    """Return the figures with plain shares as those of the counts that stand beside them.

    A share of the true counts would tell more of them than their own rounding does. What is
    adjusted, or read from a curve, is no share of counts; lines of a measure show none.
    """
    if not {"numerator", "denominator"} <= {*frame} or "estimate" not in values:
        return values
    true, told = (
        (f["numerator"] / f["denominator"].where(f["denominator"] > 0)).to_numpy(
            float, na_value=np.nan
        )
        for f in (frame, shown)
    )
    is_plain = (scales == "percent") & (np.abs(values["estimate"] - true) < _NEAR)
    if "measure" in frame:
        is_plain &= ~frame["measure"].str.contains(_LINES).fillna(False).to_numpy(dtype=bool)
    share = np.where(is_plain & ~np.isnan(told), np.minimum(told, 1.0), values["estimate"])
    ends = {"lower": np.fmin(values.get("lower", share), share)}
    ends |= {"upper": np.fmax(values.get("upper", share), share)}
    moved = {
        c: np.where(is_plain & ~np.isnan(values[c]), e, values[c])
        for c, e in ends.items()
        if c in values
    }
    return values | {"estimate": share} | moved


def _find_sides(frame: pd.DataFrame, scales: np.ndarray, policy: Policy) -> np.ndarray:
    """Return -1 for shares of too few to show, 1 where too few are missing, else 0."""
    if not {"numerator", "denominator"} <= {*frame}:
        return np.zeros(len(frame))
    above, below = (
        frame[c].to_numpy(dtype=float, na_value=np.nan) for c in ("numerator", "denominator")
    )
    is_share = scales == "percent"
    few = is_share & (above < policy.smallest_count)
    return np.where(few, -1, np.where(is_share & (below - above < policy.smallest_count), 1, 0))


def _find_bases(result: Result, shown: pd.DataFrame, policy: Policy) -> np.ndarray:
    """Return the count, as shown, on which the figures of each row rest."""
    column, _ = _BASE[result.shape.name]
    n = shown[column].to_numpy(dtype=float, na_value=np.nan)
    if result.shape is not PROFILE:
        return n
    of_all = round_count(result.context.n_feet, policy)
    is_share = shown["statistic"].eq("share").to_numpy(dtype=bool, na_value=False)
    return np.where(is_share & ~np.isnan(n), np.nan if of_all is None else of_all, n)


def _find_scales(result: Result, frame: pd.DataFrame) -> np.ndarray:
    """Return the scale of each row: ``percent`` for a share, ``count``, or another."""
    own = result.context.own_measures
    if "measure" in frame:
        scales = frame["measure"].map(lambda code: scale_of(str(code), own)).to_numpy(dtype=object)
    elif result.shape is PROFILE:
        scales = np.where(frame["statistic"].eq("share"), "percent", "number").astype(object)
    elif result.shape is EFFECTS:
        scales = np.full(len(frame), "ratio", dtype=object)
    else:
        kind, _, measure = result.context.question.partition("_")
        scale = "number" if kind == "cusum" else scale_of(measure, own)
        scales = np.full(len(frame), scale, dtype=object)
    if "estimate" in frame:
        scales[
            frame["estimate"].gt(_WHOLE).to_numpy(dtype=bool, na_value=False)
            & (scales == "percent")
        ] = "number"
    return scales


def _find_steps(
    values: dict[str, np.ndarray], scales: np.ndarray, n: np.ndarray, policy: Policy
) -> dict[str, np.ndarray]:
    """Return the steps of each figure by row: of the whole for a share, else of its size."""
    main = values.get("estimate", values.get("centre", np.full(len(n), np.nan)))
    largest = np.nan_to_num(np.abs(np.column_stack([*values.values()]))).max(axis=1)
    sizes = np.where(np.nan_to_num(main) != 0, np.abs(main), largest)
    with np.errstate(divide="ignore", invalid="ignore"):
        part = policy.smallest_count / n
        steps = np.where(scales == "percent", share_step(n, policy), up_the_ladder(sizes * part))
        own = {c: up_the_ladder(np.abs(values[c]) * part) for c in _OF_OWN_SIZE if c in values}
    return dict.fromkeys(values, steps) | own


def _round_all(values: np.ndarray, policy: Policy) -> np.ndarray:
    rounded = [None if np.isnan(v) else round_count(round(v), policy) for v in values]
    return np.array([np.nan if v is None else v for v in rounded], dtype=float)
