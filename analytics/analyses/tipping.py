"""What if those lost to follow-up fare worse: the answer at several multiples of their hazard."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import pandas as pd

from analytics.analyses.context import Method, describe, why_not
from analytics.analyses.followed import EVENT, find_reached, follow
from analytics.analyses.groups import typed
from analytics.analyses.time_to import fit_curve
from analytics.courses.cohort import Cohort
from analytics.definitions.endpoints import ENDPOINTS
from analytics.errors import NotEstimableError
from analytics.results import ESTIMATES, Phrase, Result
from analytics.stats.curve_reading import read_curve

_METHOD = Method(
    Phrase("method.tipping"),
    "Efron 1967, Proc 5th Berkeley Symp 4:831 (self-consistency)",
    (Phrase("note.tipping"),),
)


def estimates(
    cohort: Cohort,
    endpoint: str = "relapse",
    *,
    multiples: Sequence[float] = (1.0, 1.5, 2.0, 3.0),
    horizons: Sequence[int] = (365, 730, 1096),
) -> Result:
    """Return the share free of an event if feet lost had so many times the hazard of the others.

    Parameters
    ----------
    cohort
        Feet at the cut-off.
    endpoint
        Code of an endpoint.
    multiples
        Hazards after loss, as multiples of that of feet still followed.
    horizons
        Days after the origin.

    Returns
    -------
    Result
        Estimates by ``multiple``, one measure per horizon, without intervals: a multiple is
        assumed, not seen. ``unknown`` is the feet lost before the horizon without the event.

    Notes
    -----
    A Kaplan-Meier curve is the mean, over all feet, of the chance of being free: 1 when followed
    past the horizon, 0 after the event, and S(horizon) / S(c) when last seen at c (Efron 1967).
    For feet lost that ratio is raised to the multiple; a multiple of 1 gives the curve itself.
    """
    followed = follow(cohort, ENDPOINTS[endpoint])
    rows = followed.rows
    context = replace(
        describe(cohort, "relapse_tipping", rows, method=_METHOD),
        n_events=int((rows["ended"] == EVENT).sum()),
        exclusions=followed.exclusions,
    )
    context = replace(context, notes=(*context.notes, *_unmet(cohort, rows, horizons)))
    lines = [_line(cohort, rows, m, days) for m in multiples for days in horizons]
    frame = typed(pd.DataFrame(lines), ESTIMATES, ("multiple",))
    return Result(ESTIMATES, frame, context, groups=("multiple",))


def _unmet(cohort: Cohort, rows: pd.DataFrame, horizons: Sequence[int]) -> tuple[Phrase, ...]:
    """Say why what is missing is not estimable."""
    if rows.empty:
        return (why_not(NotEstimableError("no_rows", n_rows=0)),)
    if not (rows["ended"] == EVENT).any():
        return (why_not(NotEstimableError("no_events", n_rows=len(rows), n_events=0)),)
    if rows["child"].nunique() < 2:
        return (why_not(NotEstimableError("one_cluster", n_clusters=1, n_rows=len(rows))),)
    measures = {f"free_{days}d": days for days in horizons}
    return find_reached(rows, measures, needed=cohort.protocol.few_children)[1]


def _line(cohort: Cohort, rows: pd.DataFrame, multiple: float, days: int) -> dict[str, object]:
    time = rows["time_days"].to_numpy(dtype=float)
    is_event = (rows["ended"] == EVENT).to_numpy()
    is_lost = (~is_event & (time < days)) & rows["status"].eq("lost").to_numpy(dtype=bool)
    still = rows.loc[time >= days, "child"].nunique()
    estimate = np.nan
    is_enough = still >= cohort.protocol.few_children and rows["child"].nunique() > 1
    if is_event.any() and is_enough:
        estimate = _free(rows, days, np.where(is_lost, multiple, 1.0))
    return {
        "multiple": multiple,
        "measure": f"free_{days}d",
        "n": len(rows),
        "denominator": len(rows) - int(is_lost.sum()),
        "numerator": pd.NA,
        "estimate": estimate,
        "lower": np.nan,
        "upper": np.nan,
        "outside": 0,
        "immature": 0,
        "unknown": int(is_lost.sum()),
    }


def _free(rows: pd.DataFrame, days: int, power: np.ndarray) -> float:
    time = rows["time_days"].to_numpy(dtype=float)
    is_event = (rows["ended"] == EVENT).to_numpy()
    curve = fit_curve(rows)
    at_horizon = float(read_curve(curve, [days])["estimate"].iloc[0])
    at_end = read_curve(curve, np.minimum(time, days))["estimate"].to_numpy()
    # An event on the horizon itself is one by then.
    chance = np.where(time > days, 1.0, (at_horizon / np.maximum(at_end, 1e-300)) ** power)
    return float(np.where(is_event & (time <= days), 0.0, chance).mean())
