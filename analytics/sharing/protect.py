"""The gate: a result and a policy in, what may be shown out."""

from __future__ import annotations

from collections.abc import Mapping

import pandas as pd

from analytics.definitions.policies import Policy
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
from analytics.sharing.cells import build_cells
from analytics.sharing.clinics import (
    clinic_column,
    code_clinics,
    find_small_clinics,
    merge_clinics,
    rename_clinics,
)
from analytics.sharing.curves import coarsen_curves, end_curves
from analytics.sharing.flows import merge_few_leaving
from analytics.sharing.hiding import find_hidden
from analytics.sharing.released import Released, nothing_hidden, typed
from analytics.sharing.surroundings import protect_context

__all__ = ["Released", "protect"]

#: Frames beside a result that hold no count of people and may go with any policy.
_HARMLESS_BESIDE = ("limits",)

_NOT_COUNTED = ("outside", "immature", "unknown")

#: Which withheld counts take a row's figures and signals with them.
_RESTS_ON = {
    ESTIMATES.name: ("numerator", "denominator"),
    EFFECTS.name: ("n", "events"),
    TREND.name: ("numerator", "denominator"),
    COMPARISON.name: ("numerator", "denominator"),
    PROFILE.name: ("n",),
}


def protect(result: Result, policy: Policy, *, codes: Mapping[str, str] | None = None) -> Released:
    """Return what a policy allows of a result.

    Parameters
    ----------
    result
        Any shape.
    policy
        Every policy ends curves before too few children are at risk. One with a smallest count
        also withholds small counts with as many others as it takes, makes the steps of curves
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
    is not split by group; a table split by two things loses all its rows. Totals over groups count
    as known to the reader, so a table split by clinic is safe beside the same table for the
    network. How many units were not counted in all may show (all less counted); of what kind they
    were may not, when they are few. Not covered: a reader who subtracts two results about
    different populations, and one who works back from how cells were chosen.
    """
    frame = typed(result)
    notes: list[Phrase] = []
    if policy.smallest_count and result.groups and result.shape in (FLOW, PROFILE):
        result, frame = _sum_over_groups(result, frame)
        notes.append(Phrase("protect.summed"))
    if policy.smallest_count and result.shape is FLOW:
        merged = merge_few_leaving(frame, policy.smallest_count)
        notes += [Phrase("protect.steps")] if len(merged) < len(frame) else []
        frame = merged
    if result.shape is CURVE:
        frame = end_curves(result, frame, policy.smallest_at_risk)
        notes.append(Phrase("protect.curve_ends", {"smallest": policy.smallest_at_risk}))
    hidden = nothing_hidden(frame)
    beside = dict(result.beside)
    if policy.smallest_count:
        frame, told = _set_clinics(result, frame, policy, codes)
        frame, hidden = _withhold(result, frame, policy)
        notes += [*told, *_note_hidden(result, hidden, policy)]
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
    """Return frame and mask with small counts, and what rests on them, withheld."""
    if result.shape is CURVE:
        coarse = _coarsen(result, frame, policy)
        return coarse, nothing_hidden(coarse)
    hidden = nothing_hidden(frame)
    if is_too_fine(result):
        # Which rows there are tells of single clinics as well.
        return frame.iloc[:0], hidden.iloc[:0]
    silent: tuple[str, ...] = ()
    if result.shape is ESTIMATES and result.groups:
        # Why units were not counted is told for all groups together: split, most are small.
        silent = _NOT_COUNTED
        hidden = hidden.assign(**{c: frame[c].notna() for c in silent})
    cells = build_cells(result, frame, policy.smallest_count, silent=silent)
    withheld = find_hidden(cells, policy.smallest_count)
    for (row, column), cell in cells.places.items():
        hidden.loc[row, column] |= bool(withheld[cell])
    return frame, _hide_figures(result, frame, hidden)


def is_too_fine(result: Result) -> bool:
    """Return whether a table is split by more than a public page can show: by two things.

    The periods of a trend are one of them.
    """
    n_splits = len(result.groups) + (result.shape is TREND)
    return n_splits > 1 and result.shape is not CURVE


def _coarsen(result: Result, frame: pd.DataFrame, policy: Policy) -> pd.DataFrame:
    groups = list(result.groups)
    every = result.frame[groups].drop_duplicates() if groups else [()]
    left = frame[groups].drop_duplicates() if groups else every
    return coarsen_curves(
        frame,
        result.groups,
        smallest=policy.smallest_count,
        time_unit=result.context.time_unit,
        n_gone=len(every) - len(left),
    )


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


def _hide_figures(result: Result, frame: pd.DataFrame, hidden: pd.DataFrame) -> pd.DataFrame:
    rests_on = [c for c in _RESTS_ON.get(result.shape.name, ()) if c in hidden]
    gone = hidden[rests_on].any(axis=1)
    signals = [c for c in ("signal", "flag") if c in hidden]
    figures = [*result.shape.of_kind("figure"), *signals]
    shown = frame[figures].notna()
    return hidden.assign(**{c: hidden[c] | (gone & shown[c]) for c in figures})


def _note_hidden(result: Result, hidden: pd.DataFrame, policy: Policy) -> list[Phrase]:
    if result.shape is CURVE:
        return [Phrase("protect.coarse")]
    if is_too_fine(result):
        return [Phrase("protect.too_fine")]
    if not hidden.to_numpy().any():
        return []
    return [Phrase("protect.withheld", {"largest": policy.smallest_count - 1})]
