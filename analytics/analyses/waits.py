"""How long each stretch of the way takes, those still waiting among them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import pandas as pd

from analytics.analyses.context import Method, describe
from analytics.analyses.groups import find_groups, typed
from analytics.courses.cohort import Cohort
from analytics.definitions.rules import evaluate
from analytics.definitions.waits import WAITS, Wait
from analytics.results import ESTIMATES, Phrase, Result
from analytics.stats.curve_reading import quantile
from analytics.stats.survival import kaplan_meier

_METHOD = Method(
    Phrase("method.waits"),
    "Brookmeyer & Crowley 1982, Biometrics 38:29; Therneau & Grambsch 2000, ch. 2.2",
    (Phrase("note.waits"),),
)
_QUANTILES = {"median": 0.5, "p25": 0.25, "p75": 0.75}

#: A curve has no event at its start, so days are counted from 1 and told from 0.
_FIRST = 1


def estimates(cohort: Cohort, waits: Sequence[Wait] = WAITS, *, by: Sequence[str] = ()) -> Result:
    """Return the days that a quarter, half and three quarters of feet need at most.

    Parameters
    ----------
    cohort
        Feet at the cut-off.
    waits
        Stretches of the way.
    by
        Columns of the foot.

    Returns
    -------
    Result
        Estimates of ``<wait>.median``, ``.p25`` and ``.p75`` from a Kaplan-Meier curve clustered
        by child: a foot that has not got there counts until it was last seen. A quantile that the
        curve does not reach, and one of fewer children than few, is missing. Outside are feet
        without the first date; the numerator is missing, since this is no ratio of counts.
    """
    names, codes, labels = find_groups(cohort.feet, by)
    lines, notes = [], []
    for wait in waits:
        rows = _timed(cohort, wait).assign(group=codes)
        used = rows.loc[rows["days"].notna()]
        n_open = int((~used["is_event"]).sum())
        if n_open:
            values = {"wait": Phrase(f"measure.{wait.code}"), "n_open": n_open}
            notes.append(Phrase("note.wait_open", values | {"n_counted": len(used)}))
        for group in range(len(labels)):
            part = rows.loc[rows["group"].eq(group)]
            lines += [line | {"group": group} for line in _read(cohort, wait, part)]
    frame = pd.DataFrame(lines)
    for place, name in enumerate(names):
        frame.insert(place, name, labels[name].to_numpy()[frame["group"].to_numpy()])
    context = describe(cohort, "waits", cohort.feet, method=_METHOD)
    context = replace(context, notes=(*context.notes, *notes))
    return Result(ESTIMATES, typed(frame, ESTIMATES, names), context, tuple(names))


def _timed(cohort: Cohort, wait: Wait) -> pd.DataFrame:
    """Return, per foot, ``days`` waited (missing: not asked, or a date out of order)."""
    feet = cohort.feet
    asked = evaluate(wait.population, feet, cohort.protocol).fillna(False)
    is_event = feet[wait.event].notna() & asked
    end = feet[wait.event].where(is_event, feet[wait.until])
    days = (end - feet[wait.origin]).dt.days.astype("Int64")
    known = asked & days.ge(0).fillna(False)
    return pd.DataFrame(
        {
            "child": feet["child"],
            "days": days.where(known),
            "is_event": is_event.astype(bool),
            "is_inside": (asked & feet[wait.origin].notna()).astype(bool),
        }
    )


def _read(cohort: Cohort, wait: Wait, rows: pd.DataFrame) -> list[dict[str, object]]:
    used = rows.loc[rows["days"].notna()]
    inside = int(rows["is_inside"].sum())
    counts = {
        "n": len(rows), "denominator": len(used), "numerator": pd.NA, "immature": 0,
        "outside": len(rows) - inside, "unknown": inside - len(used),
    }  # fmt: skip
    lines: list[dict[str, object]] = []
    for name, figures in _quantiles(used, cohort.protocol.few_children).items():
        ends = dict(zip(("estimate", "lower", "upper"), figures, strict=True))
        lines.append(counts | ends | {"measure": f"{wait.code}.{name}"})
    return lines


def _quantiles(used: pd.DataFrame, few: int) -> dict[str, tuple[float, float, float]]:
    nothing = (np.nan, np.nan, np.nan)
    if used["child"].nunique() < few or not used["is_event"].any():
        return dict.fromkeys(_QUANTILES, nothing)
    curve = kaplan_meier(
        used["days"].to_numpy(dtype=float) + _FIRST,
        used["is_event"].to_numpy(),
        cluster=used["child"].to_numpy(),
    )
    found = {}
    for name, share in _QUANTILES.items():
        at = quantile(curve, share)
        ends = (at.estimate, at.lower, at.upper)
        figures = [np.nan if end is None else end - _FIRST for end in ends]
        found[name] = (figures[0], figures[1], figures[2])
    return found
