"""The gate: a result and a policy in, what may be shown out."""

from __future__ import annotations

from collections.abc import Mapping

import pandas as pd

from analytics.definitions.policies import Policy
from analytics.results import CURVE, FLOW, PROFILE, TREND, Phrase, Result
from analytics.sharing.clinics import (
    clinic_column,
    code_clinics,
    find_small_clinics,
    merge_clinics,
    rename_clinics,
)
from analytics.sharing.curves import coarsen_curves, end_curves
from analytics.sharing.released import Released, nothing_hidden, typed
from analytics.sharing.rounding import round_table
from analytics.sharing.surroundings import protect_context

__all__ = ["Released", "protect"]

#: Groups each of which holds everybody: the same people seen in several ways.
_NO_SPLIT = frozenset({"currency", "parameter", "method", "definition", "multiple"})

#: Frames beside a result that hold no count of people and may go with any policy.
_HARMLESS_BESIDE = ("limits",)


def protect(result: Result, policy: Policy, *, codes: Mapping[str, str] | None = None) -> Released:
    """Return what a policy allows of a result.

    Parameters
    ----------
    result
        Any shape.
    policy
        Every policy ends curves before too few children are at risk. One with a smallest count
        also rounds counts, withholds small ones, gives figures in steps, makes the steps of curves
        wider, and keeps only harmless frames beside the result.
    codes
        Clinic to letters, where a report uses the same ones in all its tables; a clinic without
        any is shown with the small ones.

    Returns
    -------
    Released
        The only thing that a drawer accepts.

    Notes
    -----
    A flow or a profile by groups is shown for all groups together, and why units were not counted
    is not split by group; a table split by two things loses all its rows. Since no count is shown
    as it is, tables may be put together, with those of other reports too, and give no small count
    away: see ``rounding.round_table``, and ``tests/benchmarks/disclosure.md`` for what a reader
    with all of them finds.
    """
    frame = typed(result)
    notes: list[Phrase] = []
    if policy.smallest_count and result.groups and result.shape in (FLOW, PROFILE):
        result, frame = _sum_over_groups(result, frame)
        notes.append(Phrase("protect.summed"))
    if result.shape is CURVE:
        frame = end_curves(result, frame, policy.smallest_at_risk)
        notes.append(Phrase("protect.curve_ends", {"smallest": policy.smallest_at_risk}))
    hidden = nothing_hidden(frame)
    beside = dict(result.beside)
    if policy.smallest_count:
        frame, told = _set_clinics(result, frame, policy, codes)
        frame, hidden = _withhold(result, frame, policy)
        notes += [*told, *_note_rounded(result, policy)]
        beside = {name: beside[name] for name in _HARMLESS_BESIDE if name in beside}
    if not policy.names_clinics and clinic_column(result):
        letters = code_clinics(result, frame, codes)
        column = str(clinic_column(result))
        frame, hidden = rename_clinics(frame, hidden, column=column, codes=letters)
        notes.append(Phrase("protect.coded"))
    return Released(
        shape=result.shape,
        frame=frame.mask(hidden),
        context=protect_context(result.context, policy),
        groups=result.groups,
        beside=beside,
        policy=policy,
        hidden=hidden,
        notes=tuple(notes),
    )


def _set_clinics(
    result: Result, frame: pd.DataFrame, policy: Policy, codes: Mapping[str, str] | None
) -> tuple[pd.DataFrame, list[Phrase]]:
    """Return the frame with small clinics as one, and without rows that list clinics as terms."""
    for column in ("term", "variable"):
        if column in frame and not policy.names_clinics:
            frame = frame.loc[frame[column].ne("clinic")].reset_index(drop=True)
    if not clinic_column(result) or not policy.smallest_unit_children or frame.empty:
        return frame, []
    small = find_small_clinics(result, frame, policy.smallest_unit_children, codes=codes)
    values = {"n_clinics_merged": len(small), "smallest": policy.smallest_unit_children}
    notes = [Phrase("protect.merged", values)] if small else []
    return merge_clinics(result, frame, small), notes


def _withhold(
    result: Result, frame: pd.DataFrame, policy: Policy
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Return frame and mask with counts rounded, small ones and what rests on them withheld."""
    if result.shape is CURVE:
        coarse = coarsen_curves(frame, result.groups, policy, time_unit=result.context.time_unit)
        return coarse, nothing_hidden(coarse)
    if is_too_fine(result):
        # Which rows there are tells of single clinics as well.
        return frame.iloc[:0], nothing_hidden(frame.iloc[:0])
    return round_table(result, frame, policy)


def is_too_fine(result: Result) -> bool:
    """Return whether a table is split by more than a public page can show: by two things.

    The periods of a trend are one of them.
    """
    n_splits = len({*result.groups} - _NO_SPLIT) + (result.shape is TREND)
    return n_splits > 1 and result.shape is not CURVE


def _sum_over_groups(result: Result, frame: pd.DataFrame) -> tuple[Result, pd.DataFrame]:
    """Return a flow or a profile for all groups together; figures of a sum are not known."""
    keys = [c for c in ("step", "reason", "variable", "level", "statistic") if c in frame]
    counts = list(result.shape.of_kind("count"))
    summed = frame.groupby(keys, sort=False, dropna=False)[counts].sum(min_count=1).reset_index()
    if result.shape is FLOW:
        # n_in and n_out are repeated on every reason of a step, and reasons differ by group.
        steps = frame.drop_duplicates([*result.groups, "step"]).groupby("step")[["n_in", "n_out"]]
        whole = steps.sum().reindex(summed["step"])
        summed = summed.assign(n_in=whole["n_in"].array, n_out=whole["n_out"].array)
    columns = list(result.shape.columns)
    summed = summed.reindex(columns=columns).astype(frame.dtypes[columns])
    return Result(result.shape, summed, result.context), summed


def _note_rounded(result: Result, policy: Policy) -> list[Phrase]:
    if is_too_fine(result):
        return [Phrase("protect.too_fine")]
    values = {
        "multiple": policy.rounded_to,
        "smallest": policy.smallest_count,
        "base": policy.smallest_base,
    }
    coarse = [Phrase("protect.coarse")] if result.shape is CURVE else []
    return [*coarse, Phrase("protect.rounded", values)]
