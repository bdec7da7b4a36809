"""How many have had the event by each time when something else can come first."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd

from analytics.analyses.context import Method, describe, why_not
from analytics.analyses.followed import COMPETING, EVENT, follow
from analytics.analyses.groups import typed
from analytics.courses.cohort import Cohort
from analytics.definitions.endpoints import ENDPOINTS
from analytics.errors import NotEstimableError
from analytics.results import CURVE, Phrase, Result
from analytics.stats.competing import IncidenceCurves, incidence
from analytics.stats.spells import as_spells

_METHOD = Method(
    Phrase("method.aalen_johansen"),
    "Aalen & Johansen 1978, Scand J Stat 5:141",
    (Phrase("note.incidence"), Phrase("note.relapse_seen_late")),
)
_CAUSES = {EVENT: "", COMPETING: "_competing"}


def curve(cohort: Cohort, endpoint: str = "relapse") -> Result:
    """Return cumulative incidences of an event and of what competes with it.

    Parameters
    ----------
    cohort
        Feet at the cut-off.
    endpoint
        Code of an endpoint.

    Returns
    -------
    Result
        A curve in days, drawn upwards, with states ``<endpoint>_had`` and
        ``<endpoint>_had_competing``; with the share free of both they add up to 1.
    """
    followed = follow(cohort, ENDPOINTS[endpoint])
    rows = followed.rows
    context = replace(
        describe(cohort, f"{endpoint}_incidence", rows, method=_METHOD),
        n_events=int((rows["ended"] == EVENT).sum()),
        exclusions=followed.exclusions,
    )
    try:
        fitted = _fit(rows)
    except NotEstimableError as reason:
        context = replace(context, notes=(*context.notes, why_not(reason)))
        return Result(CURVE, typed(pd.DataFrame(columns=list(CURVE.columns)), CURVE, ()), context)
    frame = pd.concat(
        [_steps(fitted, cause, f"{endpoint}_had{suffix}") for cause, suffix in _CAUSES.items()],
        ignore_index=True,
    )
    at_risk = pd.DataFrame(
        {
            "time": np.concatenate([[0.0], fitted.times]),
            "children": np.concatenate([[rows["child"].nunique()], fitted.clusters_at_risk]),
        }
    )
    return Result(CURVE, typed(frame, CURVE, ()), context, (), {"children_at_risk": at_risk})


def _fit(rows: pd.DataFrame) -> IncidenceCurves:
    spells = as_spells(
        rows["time_days"].to_numpy(dtype=float),
        rows["ended"].to_numpy(),
        entry=rows["entry_days"].to_numpy(dtype=float) if rows["entry_days"].any() else None,
        cluster=rows["child"].to_numpy(),
    )
    return incidence(spells, n_causes=COMPETING)


def _steps(fitted: IncidenceCurves, cause: int, state: str) -> pd.DataFrame:
    column = cause - 1
    events = fitted.events[:, column]
    # What ends by the other cause leaves the risk set, so it stands with the censored.
    others = fitted.events.sum(axis=1) - events
    n = int(fitted.at_risk[0])
    steps = {
        "time": np.concatenate([[0.0], fitted.times]),
        "at_risk": np.concatenate([[n], fitted.at_risk]),
        "events": np.concatenate([[0], events]),
        "censored": np.concatenate([[0], fitted.censored + others]),
        "estimate": np.concatenate([[0.0], fitted.estimate[:, column]]),
        "lower": np.concatenate([[0.0], fitted.lower[:, column]]),
        "upper": np.concatenate([[0.0], fitted.upper[:, column]]),
    }
    return pd.DataFrame(steps).assign(state=state)
