"""How many have had the event by each time when something else can come first."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import pandas as pd

from analytics.analyses.context import Method, describe, why_not
from analytics.analyses.curves import count_children, fit_groups, stack_curves
from analytics.analyses.followed import COMPETING, EVENT, follow
from analytics.analyses.groups import comparable
from analytics.courses.cohort import Cohort
from analytics.definitions.endpoints import ENDPOINTS
from analytics.errors import NotEstimableError
from analytics.results import Context, Phrase, PValue, Result
from analytics.stats.competing import IncidenceCurves, incidence
from analytics.stats.curve_reading import none_yet
from analytics.stats.gray import gray_test
from analytics.stats.spells import Spells, as_spells

METHOD = Method(
    Phrase("method.aalen_johansen"),
    "Aalen & Johansen 1978, Scand J Stat 5:141",
    (Phrase("note.incidence"), Phrase("note.relapse_seen_late")),
)
_CAUSES = {EVENT: "", COMPETING: "_competing"}


def curve(cohort: Cohort, endpoint: str = "relapse", *, by: Sequence[str] = ()) -> Result:
    """Return cumulative incidences of an event and of what competes with it.

    Parameters
    ----------
    cohort
        Feet at the cut-off.
    endpoint
        Code of an endpoint.
    by
        Columns of the foot that split the curves; a note then gives Gray's test.

    Returns
    -------
    Result
        A curve in days, drawn upwards, with states ``<endpoint>_had`` and
        ``<endpoint>_had_competing``; with the share free of both they add up to 1. ``censored``
        holds all that left the risk set otherwise, the other state's events among them.
    """
    followed = follow(cohort, ENDPOINTS[endpoint])
    fits, notes = fit_groups(followed.rows, by, _fit, _compare)
    context = replace(
        describe(cohort, f"{endpoint}_incidence", followed.rows, method=METHOD),
        n_events=int((followed.rows["ended"] == EVENT).sum()),
        exclusions=followed.exclusions,
    )
    return lay_out(context, endpoint, fits, notes, by=by)


def lay_out(
    context: Context,
    endpoint: str,
    fits: Sequence[tuple[dict[str, str], IncidenceCurves]],
    notes: Sequence[Phrase],
    *,
    by: Sequence[str] = (),
) -> Result:
    """Return fitted incidences, each with the levels of its group, as a result.

    Parameters
    ----------
    context
        What stands beside them.
    endpoint
        Code of the endpoint.
    fits
        Levels by column, and the incidences.
    notes
        Why others have none.
    by
        The columns.
    """
    steps = [
        _steps(fitted, cause, f"{endpoint}_had{suffix}").assign(**labels)
        for labels, fitted in fits
        for cause, suffix in _CAUSES.items()
    ]
    return stack_curves(context, steps, notes, by, beside=count_children(fits))


def _compare(rows: pd.DataFrame, by: Sequence[str]) -> Phrase:
    """Say whether the groups' incidences differ by more than chance, children as clusters."""
    try:
        known, group = comparable(rows, by)
        test = gray_test(_spells(known), group).test
    except NotEstimableError as reason:
        return why_not(reason, (Phrase("word.comparison"),))
    values = {"p": PValue(test.p), "groups": test.degrees_of_freedom + 1}
    return Phrase("note.gray", values)


def _spells(rows: pd.DataFrame) -> Spells:
    return as_spells(
        rows["time_days"].to_numpy(dtype=float),
        rows["ended"].to_numpy(),
        entry=rows["entry_days"].to_numpy(dtype=float) if rows["entry_days"].any() else None,
        cluster=rows["child"].to_numpy(),
    )


def _fit(rows: pd.DataFrame) -> IncidenceCurves:
    return incidence(_spells(rows), n_causes=COMPETING)


def _steps(fitted: IncidenceCurves, cause: int, state: str) -> pd.DataFrame:
    column = cause - 1
    events = fitted.events[:, column]
    # What ends by the other cause leaves the risk set, so it stands with the censored.
    others = fitted.events.sum(axis=1) - events
    n = int(fitted.at_risk[0])
    estimate = np.concatenate([[0.0], fitted.estimate[:, column]])
    lower, upper = (
        np.concatenate([[0.0], limit[:, column]]) for limit in (fitted.lower, fitted.upper)
    )
    still = np.concatenate([fitted.clusters_at_risk, fitted.clusters_at_risk[-1:]])
    steps = {
        "time": np.concatenate([[0.0], fitted.times]),
        "at_risk": np.concatenate([[n], fitted.at_risk]),
        "events": np.concatenate([[0], events]),
        "censored": np.concatenate([[0], fitted.censored + others]),
        "estimate": estimate,
        "lower": np.where(estimate <= 0, 0.0, lower),
        "upper": 1 - none_yet(1 - estimate, 1 - upper, still, conf_level=fitted.conf_level),
    }
    return pd.DataFrame(steps).assign(state=state)
