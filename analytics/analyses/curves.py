"""Curves of groups: each is fitted by itself, and all stand in one frame."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from typing import Protocol, TypeVar

import numpy as np
import pandas as pd

from analytics.analyses.context import why_not
from analytics.analyses.groups import name_group, split, typed
from analytics.errors import NotEstimableError
from analytics.results import CURVE, Context, Phrase, Result


class _Fitted(Protocol):
    @property
    def times(self) -> np.ndarray: ...

    @property
    def n_clusters(self) -> int: ...

    @property
    def clusters_at_risk(self) -> np.ndarray: ...


Fitted = TypeVar("Fitted")
#: Levels by column, and what was fitted.
Fits = list[tuple[dict[str, str], Fitted]]


def fit_groups(
    rows: pd.DataFrame,
    by: Sequence[str],
    fit: Callable[[pd.DataFrame], Fitted],
    compare: Callable[[pd.DataFrame, Sequence[str]], Phrase],
) -> tuple[Fits[Fitted], list[Phrase]]:
    """Return what was fitted to each group, and notes: why others have none, how they compare.

    Parameters
    ----------
    rows
        Feet followed.
    by
        Columns that split them.
    fit
        Makes a curve of the rows of a group, or raises ``NotEstimableError``.
    compare
        Says whether groups differ.
    """
    fits: Fits[Fitted] = []
    notes = []
    for key, part in split(rows, by):
        try:
            fits.append((dict(zip(by, key, strict=True)), fit(part)))
        except NotEstimableError as reason:
            # A group of one child has no curve; the others have.
            notes.append(why_not(reason, name_group(by, key)))
    if rows.empty:
        notes.append(why_not(NotEstimableError("no_rows", n_rows=0)))
    elif by:
        notes.append(compare(rows, by))
    return fits, notes


def count_children(fits: Sequence[tuple[dict[str, str], _Fitted]]) -> dict[str, pd.DataFrame]:
    """Return the children at risk beside curves, from all of them on."""
    children = [
        pd.DataFrame(
            {
                **labels,
                "time": np.concatenate([[0.0], fitted.times]),
                "children": np.concatenate([[fitted.n_clusters], fitted.clusters_at_risk]),
            }
        )
        for labels, fitted in fits
    ]
    return {"children_at_risk": pd.concat(children, ignore_index=True)} if children else {}


def stack_curves(
    context: Context,
    steps: Sequence[pd.DataFrame],
    notes: Sequence[Phrase],
    by: Sequence[str],
    *,
    beside: dict[str, pd.DataFrame] | None = None,
) -> Result:
    """Return the steps of curves, with the levels of their groups, as a result.

    Parameters
    ----------
    context
        What stands beside them; the notes go to its own.
    steps
        Of each curve.
    notes
        What else must be said.
    by
        Columns of the levels.
    beside
        Further tables.
    """
    empty = pd.DataFrame(columns=[*by, *CURVE.columns])
    frame = pd.concat(steps, ignore_index=True) if steps else empty
    context = replace(context, notes=(*context.notes, *notes))
    return Result(CURVE, typed(frame, CURVE, by), context, tuple(by), beside or {})
