"""What a Cox model asks of blocks of whole strata: sums of each stratum's likelihood, which add up.

Nothing is held of a stratum but its sums, so memory is that of the largest block.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from analytics.errors import NotEstimableError
from analytics.stats.at_risk import EndTable, tabulate_ends
from analytics.stats.blocks import Each, add, add_by_key
from analytics.stats.cox import Scale, find_survivors
from analytics.stats.cox_checks import sum_drift
from analytics.stats.cox_summary import Sizes, Ties
from analytics.stats.partial_likelihood import clustered_scores, evaluate, information
from analytics.stats.partial_sums import Likelihood
from analytics.stats.risk_sets import find_risk_sets, tie_terms
from analytics.stats.spells import Spells


@dataclass(frozen=True, slots=True, eq=False)
class CoxRows:
    """Rows of a block, which holds whole strata.

    Parameters
    ----------
    spells
        Checked rows without weights; clusters are numbered within the block.
    values
        (n, p) covariates.
    strata
        (n,) whole numbers from 0.
    shared
        (clusters,) number of a cluster with rows in other blocks too, the same in all of them;
        -1 for a cluster that is whole here.
    """

    spells: Spells
    values: np.ndarray
    strata: np.ndarray
    shared: np.ndarray


@dataclass(frozen=True, slots=True, eq=False)
class Facts:
    """What is known of a block before coefficients are sought.

    Parameters
    ----------
    n, n_events, n_strata
        Rows, events, and strata with an event.
    n_whole, shared
        Clusters that are whole here, and the numbers of the others.
    total, lowest, highest
        (p,) of each covariate.
    ends
        Ends of rows, all strata together.
    has_survivors
        Whether anybody at risk outlives an event.
    """

    n: int
    n_events: int
    n_strata: int
    n_whole: int
    shared: np.ndarray
    total: np.ndarray
    lowest: np.ndarray
    highest: np.ndarray
    ends: EndTable
    has_survivors: bool


@dataclass(frozen=True, slots=True, eq=False)
class Peak:
    """The partial likelihood at given coefficients, with its derivatives.

    Parameters
    ----------
    at
        (p,) coefficients of standardised covariates.
    log_likelihood, score, information
        Value, (p,) gradient and (p, p) less the second derivatives.
    """

    at: np.ndarray
    log_likelihood: float
    score: np.ndarray
    information: np.ndarray


def join_rows(blocks: Sequence[CoxRows], begin: Sequence[int]) -> CoxRows:
    """Return blocks as one.

    Parameters
    ----------
    blocks
        Whole clusters, but for those that are shared, and shared clusters of their own.
    begin
        What is added to the numbers of the shared clusters of each block.
    """
    late = any(block.spells.entry is not None for block in blocks)
    n_before = np.cumsum([0, *(len(block.shared) for block in blocks)])[:-1]
    pairs, all_begun = list(zip(blocks, n_before, strict=True)), zip(blocks, begin, strict=True)
    entries = [
        np.zeros(len(block.strata)) if block.spells.entry is None else block.spells.entry
        for block in blocks
    ]
    spells = Spells(
        time=np.concatenate([block.spells.time for block in blocks]),
        event=np.concatenate([block.spells.event for block in blocks]),
        entry=np.concatenate(entries) if late else None,
        cluster=np.concatenate([block.spells.units + first for block, first in pairs]),
        weights=None,
    )
    return CoxRows(
        spells,
        np.concatenate([block.values for block in blocks]),
        np.concatenate([block.strata for block in blocks]),
        np.concatenate([np.where(b.shared < 0, -1, b.shared + first) for b, first in all_begun]),
    )


def look(rows: CoxRows) -> Facts:
    """Return what is known of a block; a step over blocks."""
    spells = rows.spells
    sets = find_risk_sets(spells, rows.strata)
    alone = Spells(spells.time, spells.event, spells.entry, cluster=None, weights=None)
    return Facts(
        n=len(spells.time),
        n_events=int(sets.is_event.sum()),
        n_strata=len(np.unique(sets.stratum)),
        n_whole=int((rows.shared < 0).sum()),
        shared=rows.shared[rows.shared >= 0],
        total=rows.values.sum(axis=0),
        lowest=rows.values.min(axis=0),
        highest=rows.values.max(axis=0),
        ends=tabulate_ends(alone, 1),
        has_survivors=find_survivors(sets),
    )


def count_rows(facts: Sequence[Facts]) -> Sizes:
    """Return the sizes of what is fitted, or refuse it: without rows, events or two clusters."""
    n, n_events = (sum(counts) for counts in ([p.n for p in facts], [p.n_events for p in facts]))
    if not n:
        raise NotEstimableError("no_rows", n_rows=0)
    n_shared = len(np.unique(np.concatenate([part.shared for part in facts])))
    n_clusters = n_shared + sum(part.n_whole for part in facts)
    if n_clusters < 2:
        raise NotEstimableError("one_cluster", n_clusters=n_clusters, n_rows=n)
    if not n_events:
        raise NotEstimableError("no_events", n_rows=n, n_events=0)
    return Sizes(n, n_events, n_clusters, sum(part.n_strata for part in facts), True)


def standardise(each: Each, facts: Sequence[Facts], names: Sequence[str]) -> Scale:
    """Return centre and spread of the covariates; refuse one that does not vary."""
    n = sum(part.n for part in facts)
    lowest = np.min([part.lowest for part in facts], axis=0)
    highest = np.max([part.highest for part in facts], axis=0)
    for name, low, high in zip(names, lowest, highest, strict=True):
        if low == high:
            raise NotEstimableError(
                "constant_covariate", covariate=name, value=float(low), n_rows=n
            )
    centre = np.sum([part.total for part in facts], axis=0) / n
    (squares,) = add(each(_square, centre))
    return Scale(centre, np.sqrt(squares / n))


def find_peak(each: Each, scale: Scale, ties: Ties, at: np.ndarray) -> Peak:
    """Return value and derivatives of the likelihood of all blocks at some coefficients."""
    return Peak(at, *add(each(_find_peak, scale, ties, at)))


def find_products(each: Each, scale: Scale, ties: Ties, at: np.ndarray) -> np.ndarray:
    """Return the products of the score residuals summed by cluster; (p, p)."""
    whole, numbers, scores = zip(*each(_find_scores, scale, ties, at), strict=True)
    shared = add_by_key(numbers, scores)[1]
    return np.sum(whole, axis=0) + shared.T @ shared


def find_drift(
    each: Each, scale: Scale, ties: Ties, at: np.ndarray, *, clock: tuple[np.ndarray, np.ndarray]
) -> tuple[np.ndarray, np.ndarray]:
    """Return gradient and information by covariates times a function of time.

    Parameters
    ----------
    each, scale, ties, at
        The fit.
    clock
        Sorted times, and the value of the function at each.
    """
    score, bent = add(each(_find_drift, scale, ties, at, clock))
    return score, bent


def _square(rows: CoxRows, centre: np.ndarray) -> tuple[np.ndarray]:
    return (((rows.values - centre) ** 2).sum(axis=0),)


def _read(rows: CoxRows, scale: Scale, ties: Ties) -> Likelihood | None:
    """Return the likelihood of a block; none where nothing happened."""
    sets = find_risk_sets(rows.spells, rows.strata)
    if not len(sets.times):
        return None
    design = np.asfortranarray((rows.values - scale.centre) / scale.spread)
    return Likelihood(design, None, sets, tie_terms(sets, None, ties=ties))


def _find_peak(
    rows: CoxRows, scale: Scale, ties: Ties, at: np.ndarray
) -> tuple[float, np.ndarray, np.ndarray]:
    model, p = _read(rows, scale, ties), len(at)
    if model is None:
        return 0.0, np.zeros(p), np.zeros((p, p))
    state = evaluate(model, at)
    return state.log_likelihood, state.score, information(model, state)


def _find_scores(
    rows: CoxRows, scale: Scale, ties: Ties, at: np.ndarray
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return products of clusters that are whole here, and the others' numbers and scores."""
    model, is_shared = _read(rows, scale, ties), rows.shared >= 0
    scores = np.zeros((len(rows.shared), len(at)))
    if model is not None:
        scores = clustered_scores(model, evaluate(model, at), rows.spells.units)
    order = np.argsort(rows.shared[is_shared])
    whole = scores[~is_shared]
    return whole.T @ whole, rows.shared[is_shared][order], scores[is_shared][order]


def _find_drift(
    rows: CoxRows, scale: Scale, ties: Ties, at: np.ndarray, clock: tuple[np.ndarray, np.ndarray]
) -> tuple[np.ndarray, np.ndarray]:
    model, p = _read(rows, scale, ties), len(at)
    if model is None:
        return np.zeros(p), np.zeros((3, p, p))
    times, shown = clock
    here = shown[np.searchsorted(times, model.sets.times)]
    return sum_drift(model, evaluate(model, at), here)
