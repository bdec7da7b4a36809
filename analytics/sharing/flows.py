"""How steps of a flow follow on each other, and steps that few leave merged with a neighbour."""

from __future__ import annotations

from collections.abc import Sequence

import pandas as pd

from analytics.definitions.steps import ASIDES, unit_of_step
from analytics.results import FLOW


def find_parents(firsts: pd.DataFrame) -> list[int | None]:
    """Return for each step the step that it follows: the last one that let on as many as reach it.

    Parameters
    ----------
    firsts
        The first row of each step, in order; counts that are missing were withheld.

    Returns
    -------
    list
        Positions; None for a step that begins a way of its own. Nothing follows an aside.
    """
    units = [unit_of_step(str(step), "") for step in firsts["step"]]
    reached, left = (
        [None if pd.isna(n) else (unit, int(n)) for unit, n in zip(units, firsts[c], strict=True)]
        for c in ("n_in", "n_out")
    )
    parents: list[int | None] = []
    for place, wanted in enumerate(reached):
        before = [i for i in range(place) if wanted is not None and left[i] == wanted]
        before = [i for i in before if firsts["step"].iloc[i] not in ASIDES]
        parents.append(before[-1] if before else None)
    return parents


def merge_few_leaving(frame: pd.DataFrame, smallest: int) -> pd.DataFrame:
    """Return a flow without groups in which no step is left by only a few in all.

    A step that fewer than ``smallest`` units leave would give that number away by what reached it
    less what went on. It becomes one with the next step (the last one with the step before), under
    the later name; reasons that occur in both are added. What only tells of part of a step that is
    no more, or of a small part, goes. Steps that do not follow on each other stay as they are.
    """
    steps = [rows for _, rows in frame.groupby("step", sort=False)]
    while found := _find_few(steps, smallest):
        parents, place = found
        aside = {i for i, rows in enumerate(steps) if rows["step"].iloc[0] in ASIDES}
        if place in aside:
            del steps[place]
            continue
        following = [i for i, parent in enumerate(parents) if parent == place and i not in aside]
        before = parents[place]
        pair = (place, following[0]) if following else (before or 0, place)
        steps[pair[1]] = _join(steps[pair[0]], steps[pair[1]])
        gone = {pair[0], *(i for i in aside if parents[i] == pair[0])}
        steps = [rows for i, rows in enumerate(steps) if i not in gone]
    return pd.concat(steps, ignore_index=True) if steps else frame


def _find_few(steps: Sequence[pd.DataFrame], smallest: int) -> tuple[list[int | None], int] | None:
    """Return what follows what, and the first step that only a few leave and that has company."""
    firsts = pd.DataFrame([rows.iloc[0] for rows in steps])
    parents = find_parents(firsts)
    for place, leaving in enumerate((firsts["n_in"] - firsts["n_out"]).astype(int)):
        has_company = parents[place] is not None or place in parents
        if has_company and 0 < leaving < smallest:
            return parents, place
    return None


def _join(first: pd.DataFrame, second: pd.DataFrame) -> pd.DataFrame:
    reasons = pd.concat([first, second]).groupby("reason", sort=False)["n_reason"].sum()
    reasons = reasons[reasons.gt(0)] if reasons.gt(0).any() else reasons.iloc[:1]
    joined = reasons.reset_index().assign(
        step=second["step"].iloc[0], n_in=first["n_in"].iloc[0], n_out=second["n_out"].iloc[0]
    )
    return joined[list(FLOW.columns)].astype(first.dtypes)
