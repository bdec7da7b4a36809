"""How long until an event: curves."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import pandas as pd

from analytics.analyses.context import Method, describe, why_not
from analytics.analyses.curves import count_children, fit_groups, stack_curves
from analytics.analyses.followed import EVENT, follow
from analytics.analyses.groups import comparable
from analytics.courses.cohort import Cohort
from analytics.definitions.endpoints import ENDPOINTS
from analytics.errors import NotEstimableError
from analytics.results import Context, Phrase, PValue, Result
from analytics.stats.curve_reading import none_yet
from analytics.stats.logrank import log_rank
from analytics.stats.spells import Spells, as_spells
from analytics.stats.survival import SurvivalCurve, product_limit

METHOD = Method(
    Phrase("method.kaplan_meier"),
    "Kaplan & Meier 1958, J Am Stat Assoc 53:457; Therneau & Grambsch 2000, ch. 2.2",
    (Phrase("note.relapse_seen_late"), Phrase("note.loss_may_be_informative")),
)


def curve(cohort: Cohort, endpoint: str = "relapse", *, by: Sequence[str] = ()) -> Result:
    """Return the probability of being free of an event over time, clustered by child.

    Parameters
    ----------
    cohort
        Feet at the cut-off.
    endpoint
        Code of an endpoint.
    by
        Columns of the foot that split the curve.

    Returns
    -------
    Result
        A curve in days with state ``<endpoint>_free``; beside it ``children_at_risk``.
    """
    followed = follow(cohort, ENDPOINTS[endpoint])
    fits, notes = fit_groups(followed.rows, by, fit_curve, _compare)
    context = describe(cohort, endpoint, followed.rows, method=METHOD)
    n_events = int((followed.rows["ended"] == EVENT).sum())
    context = replace(context, n_events=n_events, exclusions=followed.exclusions)
    return lay_out(context, fits, notes, by=by)


def lay_out(
    context: Context,
    fits: Sequence[tuple[dict[str, str], SurvivalCurve]],
    notes: Sequence[Phrase],
    *,
    by: Sequence[str] = (),
) -> Result:
    """Return fitted curves, each with the levels of its group, as a result.

    Parameters
    ----------
    context
        Its question is the endpoint.
    fits
        Levels by column, and the curve.
    notes
        Why others have no curve.
    by
        The columns.
    """
    state = f"{context.question}_free"
    steps = [_steps(fitted, state).assign(**labels) for labels, fitted in fits]
    return stack_curves(context, steps, notes, by, beside=count_children(fits))


def fit_curve(rows: pd.DataFrame) -> SurvivalCurve:
    """Return the Kaplan-Meier curve of followed feet, a competing event ending observation."""
    return product_limit(as_event_spells(rows))


def as_event_spells(rows: pd.DataFrame, *, is_clustered: bool = True) -> Spells:
    """Return followed feet as spells of the event alone, clustered by child or not."""
    return as_spells(
        rows["time_days"].to_numpy(dtype=float),
        (rows["ended"] == EVENT).to_numpy(),
        entry=rows["entry_days"].to_numpy(dtype=float) if rows["entry_days"].any() else None,
        cluster=rows["child"].to_numpy() if is_clustered else None,
    )


def _compare(rows: pd.DataFrame, by: Sequence[str]) -> Phrase:
    """Say whether the groups' curves differ by more than chance, children as clusters."""
    try:
        known, group = comparable(rows, by)
        test = log_rank(as_event_spells(known), group).test
    except NotEstimableError as reason:
        return why_not(reason, (Phrase("word.comparison"),))
    values = {"p": PValue(test.p), "groups": test.degrees_of_freedom + 1}
    return Phrase("note.log_rank", values)


def _steps(fitted: SurvivalCurve, state: str) -> pd.DataFrame:
    # The curve begins at 1 with everybody at risk.
    start = {"estimate": 1.0, "lower": 1.0, "upper": 1.0}
    first = {"time": 0.0, "at_risk": fitted.n, "events": 0, "censored": 0}
    names = ("time", "at_risk", "events", "censored", "estimate", "lower", "upper")
    columns = (fitted.times, fitted.at_risk, fitted.events, fitted.censored)
    figures = (fitted.estimate, fitted.lower, fitted.upper)
    later = pd.DataFrame(dict(zip(names, (*columns, *figures), strict=True)))
    steps = pd.concat([pd.DataFrame([first | start]), later], ignore_index=True)
    still = np.concatenate([fitted.clusters_at_risk, fitted.clusters_at_risk[-1:]])
    free = steps["estimate"].to_numpy()
    lower = none_yet(free, steps["lower"].to_numpy(), still, conf_level=fitted.conf_level)
    upper = np.where(free >= 1, 1.0, steps["upper"])
    return steps.assign(lower=lower, upper=upper, state=state)
