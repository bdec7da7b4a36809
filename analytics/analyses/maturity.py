"""How long feet were followed, how much relapse-free time that was, and how many were lost."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd

from analytics.analyses.context import Method, describe, why_not, without_repeats
from analytics.analyses.followed import EVENT, follow
from analytics.analyses.groups import typed
from analytics.analyses.time_to import as_event_spells
from analytics.courses.cohort import Cohort
from analytics.definitions.endpoints import ENDPOINTS
from analytics.errors import NotEstimableError
from analytics.results import ESTIMATES, Phrase, Result
from analytics.stats.curve_reading import quantile
from analytics.stats.restricted_mean import restricted_mean
from analytics.stats.spells import Spells
from analytics.stats.survival import follow_up_curve

HORIZON_DAYS = 730
_METHOD = Method(
    Phrase("method.maturity"),
    "Schemper & Smith 1996, Control Clin Trials 17:343; Irwin 1949, J Hyg 47:188; "
    "Murray et al. 1997, J Bone Joint Surg Br 79:254",
    (Phrase("note.maturity"),),
)


def estimates(cohort: Cohort, endpoint: str = "relapse") -> Result:
    """Return median follow-up, mean time free of the event in two years, and lost per event.

    Parameters
    ----------
    cohort
        Feet at the cut-off.
    endpoint
        Code of an endpoint.

    Returns
    -------
    Result
        Estimates ``median_follow_up`` (days; the event takes the part of censoring),
        ``time_free_2y`` (days, of 730) and ``lost_per_event`` (feet lost over feet with the
        event: below 1 is wanted). What cannot be had is missing, and a note says why.
    """
    followed = follow(cohort, ENDPOINTS[endpoint])
    rows = followed.rows
    n_events = int((rows["ended"] == EVENT).sum())
    is_lost = (rows["ended"] == 0) & rows["status"].eq("lost").fillna(False)
    context = replace(
        describe(cohort, f"{endpoint}_maturity", rows, method=_METHOD),
        n_events=n_events,
        exclusions=followed.exclusions,
    )
    notes, lines = list(context.notes), []
    for measure, read in (("median_follow_up", _median), ("time_free_2y", _mean)):
        figures = (np.nan, np.nan, np.nan)
        try:
            figures = read(as_event_spells(rows))
        except NotEstimableError as reason:
            notes.append(why_not(reason))
        lines.append(_line(measure, len(rows), figures))
    if len(rows) and not n_events:
        notes.append(why_not(NotEstimableError("no_events", n_rows=len(rows), n_events=0)))
    ratio = float(is_lost.sum()) / n_events if n_events else np.nan
    lines.append(_line("lost_per_event", len(rows), (ratio, np.nan, np.nan)))
    frame = typed(pd.DataFrame(lines), ESTIMATES, ())
    return Result(ESTIMATES, frame, replace(context, notes=without_repeats(notes)))


def _median(spells: Spells) -> tuple[float, float, float]:
    found = quantile(follow_up_curve(spells))
    values = (found.estimate, found.lower, found.upper)
    at, lower, upper = (np.nan if value is None else value for value in values)
    return at, lower, upper


def _mean(spells: Spells) -> tuple[float, float, float]:
    found = restricted_mean(spells, HORIZON_DAYS)
    # Without any event the mean is the horizon itself, and no interval can be put around it.
    limits = (found.lower, found.upper) if found.n_events else (np.nan, np.nan)
    return found.estimate, *limits


def _line(measure: str, n: int, figures: tuple[float, float, float]) -> dict[str, object]:
    estimate, lower, upper = figures
    return {
        "measure": measure,
        "n": n,
        "denominator": n,
        "numerator": pd.NA,
        "estimate": estimate,
        "lower": lower,
        "upper": upper,
        "outside": 0,
        "immature": 0,
        "unknown": 0,
    }
