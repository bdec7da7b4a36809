"""Cox regression of rows in blocks of whole strata: their likelihoods add up, step by step."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, fields

import numpy as np
import pandas as pd

from analytics.errors import NotEstimableError
from analytics.stats.at_risk import EndTable, add_ends, count_ends
from analytics.stats.blocks import Each
from analytics.stats.cox import Scale
from analytics.stats.cox_checks import drift_tests
from analytics.stats.cox_summary import (
    CoxSummary,
    Place,
    Ties,
    require_contrast,
    require_known_ties,
    summarise,
)
from analytics.stats.cox_sums import (
    count_rows,
    find_drift,
    find_peak,
    find_products,
    look,
    standardise,
)
from analytics.stats.newton import Problem, maximise
from analytics.stats.survival import survival_step


@dataclass(frozen=True, eq=False)
class CoxInBlocks(CoxSummary):
    """A model fitted to blocks, with what its checks ask of them again."""

    each: Each
    scale: Scale
    top: np.ndarray
    ends: EndTable


def cox_over(each: Each, names: Sequence[str], *, ties: Ties = "efron") -> CoxInBlocks:
    """Fit a proportional-hazards model to rows in blocks; see :func:`analytics.stats.cox.cox`.

    Parameters
    ----------
    each
        Blocks of :class:`CoxRows`: a stratum is whole in one of them.
    names
        The p covariates.
    ties
        ``efron`` or ``breslow``.

    Returns
    -------
    CoxInBlocks
        As in memory, but for the rounding of sums.

    Raises
    ------
    NotEstimableError
        As in memory.
    """
    require_known_ties(ties)
    facts, names = list(each(look)), tuple(names)
    sizes = count_rows(facts)
    counts = {"n_rows": sizes.n, "n_events": sizes.n_events}
    scale = standardise(each, facts, names)
    if not any(part.has_survivors for part in facts):
        raise NotEstimableError("no_contrast_at_events", **counts)
    null = find_peak(each, scale, ties, np.zeros(len(names)))
    require_contrast(null.information, names, counts)
    problem = Problem(
        lambda at: null if at is null.at else find_peak(each, scale, ties, at),
        lambda peak: peak.information,
        names,
        counts,
    )
    top, peak = maximise(problem, null.at)
    places = tuple(
        Place(
            there.at,
            there.log_likelihood,
            there.score,
            there.information,
            find_products(each, scale, ties, there.at),
        )
        for there in (null, peak)
    )
    said = summarise(names, scale.spread, sizes, (places[0], places[1]), ties)
    held = {part.name: getattr(said, part.name) for part in fields(said)}
    ends = add_ends(part.ends for part in facts)
    return CoxInBlocks(**held, each=each, scale=scale, top=top, ends=ends)


def proportionality_over(fit: CoxInBlocks) -> pd.DataFrame:
    """Test whether each log hazard ratio drifts with time, as ``proportionality`` in memory."""
    alone = count_ends(fit.ends)
    # What had ended just before, all strata together, centred on the events.
    gone = 1 - np.append(1.0, np.cumprod(survival_step(alone)))[:-1]
    n_events = alone.n_ended[:, 1]
    seen = gone[n_events > 0]
    if seen.min() == seen.max():
        raise NotEstimableError("one_event_time", n_events=fit.n_events)
    clock = (alone.times, gone - n_events @ gone / n_events.sum())
    score, bent = find_drift(fit.each, fit.scale, fit.ties, fit.top, clock=clock)
    return drift_tests(fit.names, score, bent)
