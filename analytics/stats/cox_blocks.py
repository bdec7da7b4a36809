"""Cox regression of rows in blocks: sums at the event points add up, step by step."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, fields, replace

import numpy as np
import pandas as pd

from analytics.errors import NotEstimableError
from analytics.stats.at_risk import count_ends
from analytics.stats.blocks import Each
from analytics.stats.cox_checks import drift_tests
from analytics.stats.cox_summary import (
    CoxSummary,
    Place,
    Ties,
    require_contrast,
    require_known_ties,
    summarise,
)
from analytics.stats.cox_sums import CoxState, CoxSums, count_rows, look, prepare_sums
from analytics.stats.newton import Problem, maximise
from analytics.stats.survival import survival_step


@dataclass(frozen=True, eq=False)
class CoxInBlocks(CoxSummary):
    """A model fitted to blocks, with what its checks ask of them again."""

    sums: CoxSums
    top: CoxState


def cox_over(each: Each, names: Sequence[str], *, ties: Ties = "efron") -> CoxInBlocks:
    """Fit a proportional-hazards model to rows in blocks; see :func:`analytics.stats.cox.cox`.

    Parameters
    ----------
    each
        Blocks of :class:`CoxRows`.
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
    facts = list(each(look))
    sizes = count_rows(facts)
    counts = {"n_rows": sizes.n, "n_events": sizes.n_events}
    sums = prepare_sums(each, facts, tuple(names), ties)
    null = sums.evaluate(np.zeros(len(names)))
    sums = replace(sums, drawn=null.moments.tied[:, 1:])
    if not (null.moments.at_risk[:, 0] > sums.points.n_tied + 0.5).any():
        raise NotEstimableError("no_contrast_at_events", **counts)
    at_null = sums.information(null)[0]
    require_contrast(at_null, tuple(names), counts)
    problem = Problem(sums.evaluate, lambda state: sums.information(state)[0], tuple(names), counts)
    top, state = maximise(problem, np.zeros(len(names)))
    places = tuple(
        Place(at, there.log_likelihood, there.score, bent,
              sums.products(there) if sizes.is_clustered else None)
        for at, there, bent in (
            (null.at, null, at_null), (top, state, sums.information(state)[0]),
        )
    )  # fmt: skip
    said = summarise(tuple(names), sums.scale.spread, sizes, (places[0], places[1]), ties)
    held = {part.name: getattr(said, part.name) for part in fields(said)}
    return CoxInBlocks(**held, sums=sums, top=state)


def proportionality_over(fit: CoxInBlocks) -> pd.DataFrame:
    """Test whether each log hazard ratio drifts with time, as ``proportionality`` in memory."""
    sums, state = fit.sums, fit.top
    assert state.found is not None and sums.drawn is not None
    points, terms = sums.points, sums.terms
    width = len(points.ends) + 1
    times = points.ends[points.key % width - 1]
    alone = count_ends(sums.ends)
    estimate = np.append(1.0, np.cumprod(survival_step(alone)))
    g = 1 - estimate[np.searchsorted(alone.times, times, side="left")]
    if g.min() == g.max():
        raise NotEstimableError("one_event_time", n_events=fit.n_events)
    g = g - points.n_tied @ g / points.n_tied.sum()
    score = g @ sums.drawn - (g[terms.point] * terms.weight) @ state.found.mean
    return drift_tests(fit.names, score, sums.information(state, np.ones(len(g)), g, g**2))
