"""What a Cox model asks of blocks of rows: sums at the event points, which add up."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from analytics.errors import NotEstimableError
from analytics.stats.at_risk import EndTable, add_ends, tabulate_ends
from analytics.stats.blocks import Apart, Each, add
from analytics.stats.cox import Scale
from analytics.stats.cox_summary import Sizes, Ties
from analytics.stats.partial_sums import (
    Hazard,
    Likelihood,
    Moments,
    find_hazard,
    find_martingale,
    find_moments,
    find_pull,
    find_squares,
    residuals_at,
    squares_of_means,
)
from analytics.stats.risk_sets import (
    Points,
    TieTerms,
    find_points,
    list_events,
    place_in_points,
    terms_of,
)
from analytics.stats.spells import Spells


@dataclass(frozen=True, slots=True, eq=False)
class CoxRows:
    """Rows of a block.

    Parameters
    ----------
    spells
        Checked rows without weights; clusters are whole in a block, and numbered within it.
    values
        (n, p) covariates.
    strata
        (n,) whole numbers from 0, the same in all blocks.
    """

    spells: Spells
    values: np.ndarray
    strata: np.ndarray


@dataclass(frozen=True, slots=True, eq=False)
class Facts:
    """What is known of a block before coefficients are sought."""

    n: int
    n_clusters: int | None
    total: np.ndarray
    lowest: np.ndarray
    highest: np.ndarray
    events: tuple[np.ndarray, ...]
    strata: np.ndarray
    ends: EndTable


@dataclass(frozen=True, slots=True, eq=False)
class CoxState:
    """The likelihood at given coefficients; nothing is found where risks lie too far apart."""

    at: np.ndarray
    shift: float
    log_likelihood: float
    score: np.ndarray
    moments: Moments
    found: Hazard | None


@dataclass(frozen=True, eq=False)
class CoxSums:
    """What is asked of the blocks while coefficients are sought.

    Parameters
    ----------
    each
        The blocks.
    scale, extent
        By which covariates are standardised, and the least and most of each after that.
    points, here, terms
        Event points of all rows, those of the strata that are in each block, and the terms of the
        likelihood.
    ends
        All ends of rows, without strata.
    drawn
        (K, p) covariates of the events, summed at each point; ``None`` until they were asked for.
    """

    each: Each
    scale: Scale
    extent: tuple[np.ndarray, np.ndarray]
    points: Points
    here: Sequence[np.ndarray]
    terms: TieTerms
    ends: EndTable
    drawn: np.ndarray | None = None

    def _apart(self, values: np.ndarray) -> Apart:
        return Apart([values[here] for here in self.here])

    @property
    def _local(self) -> Apart:
        points = self.points
        return Apart([Points(points.ends, points.key[h], points.n_tied[h]) for h in self.here])

    def evaluate(self, at: np.ndarray) -> CoxState:
        """Return value and gradient at (p,) coefficients, the first time at 0."""
        low, high = self.extent
        shift = float(np.maximum(at * low, at * high).sum())
        shape = (len(self.points.key), 1 + len(at))
        moments = Moments(np.zeros(shape), np.zeros(shape), 0.0)
        told = self.each(_find_moments, self.scale, self._local, at, shift)
        for here, part in zip(self.here, told, strict=True):
            moments.at_risk[here] += part.at_risk
            moments.tied[here] += part.tied
            moments = Moments(moments.at_risk, moments.tied, moments.events + part.events)
        found = find_hazard(self.terms, moments)
        if found is None:
            return CoxState(at, shift, -np.inf, np.zeros(len(at)), moments, None)
        # Covariates of the events less their means at risk: the gradient without a second pass.
        drawn = moments.tied[:, 1:] if self.drawn is None else self.drawn
        score = drawn.sum(axis=0) - self.terms.weight @ found.mean
        return CoxState(at, shift, found.log_likelihood, score, moments, found)

    def information(self, state: CoxState, *factors: np.ndarray) -> np.ndarray:
        """Return the information with each point multiplied by a factor, for each; (m, p, p)."""
        p = len(state.at)
        if state.found is None:
            return np.zeros((max(len(factors), 1), p, p))
        over = factors or (np.ones(len(self.points.key)),)
        hazard = np.stack([state.found.hazard * factor for factor in over], axis=1)
        at_tie = np.stack([state.found.hazard_at_tie * factor for factor in over], axis=1)
        told = (self.scale, self._local, state.at, state.shift)
        parts = self.each(_find_squares, *told, self._apart(hazard), self._apart(at_tie))
        (squares,) = add(parts)
        means = [squares_of_means(self.terms, state.found.mean, factor) for factor in over]
        return squares - np.stack(means)

    def products(self, state: CoxState) -> np.ndarray:
        """Return the products of the score residuals summed by cluster; (p, p)."""
        assert state.found is not None
        n_points, p = len(self.points.key), len(state.at)
        pulls = [find_pull(self.terms, state.found, j, n_points) for j in range(p)]
        rests = np.stack([np.stack(pull, axis=1) for pull in pulls], axis=2)
        steps = np.stack([state.found.hazard, state.found.hazard_at_tie], axis=1)
        told = (self.scale, self._local, state.at, state.shift)
        (products,) = add(self.each(_find_products, *told, self._apart(steps), self._apart(rests)))
        return products


def look(rows: CoxRows) -> Facts:
    """Return what is known of a block; a step over blocks."""
    spells = rows.spells
    alone = Spells(spells.time, spells.event, spells.entry, cluster=None, weights=None)
    return Facts(
        n=len(spells.time),
        n_clusters=None if spells.cluster is None else spells.n_clusters,
        total=rows.values.sum(axis=0),
        lowest=rows.values.min(axis=0),
        highest=rows.values.max(axis=0),
        events=list_events(spells, rows.strata),
        strata=np.unique(rows.strata),
        ends=tabulate_ends(alone, 1),
    )


def count_rows(facts: Sequence[Facts]) -> Sizes:
    """Return the sizes of what is fitted, or refuse it: without rows, events or two clusters."""
    n = sum(part.n for part in facts)
    if not n:
        raise NotEstimableError("no_rows", n_rows=0)
    is_clustered = all(part.n_clusters is not None for part in facts)
    n_clusters = sum(part.n_clusters or 0 for part in facts) if is_clustered else n
    if is_clustered and n_clusters < 2:
        raise NotEstimableError("one_cluster", n_clusters=n_clusters, n_rows=n)
    n_events = int(sum(part.events[2].sum() for part in facts))
    if not n_events:
        raise NotEstimableError("no_events", n_rows=n, n_events=0)
    n_strata = len(np.unique(np.concatenate([part.events[0] for part in facts])))
    return Sizes(n, n_events, n_clusters, n_strata, is_clustered)


def prepare_sums(each: Each, facts: Sequence[Facts], names: tuple[str, ...], ties: Ties) -> CoxSums:
    """Return what is asked of the blocks from now on; refuse a covariate that does not vary."""
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
    spread = np.sqrt(squares / n)
    points = find_points([part.events for part in facts])
    width = len(points.ends) + 1

    def points_of(strata: np.ndarray) -> np.ndarray:
        ends = np.searchsorted(points.key, np.stack([strata, strata + 1]) * width)
        return np.concatenate([np.arange(*pair) for pair in ends.T])

    return CoxSums(
        each=each,
        scale=Scale(centre, spread),
        extent=((lowest - centre) / spread, (highest - centre) / spread),
        points=points,
        here=[points_of(part.strata) for part in facts],
        terms=terms_of(points.n_tied, points.n_tied.astype(float), ties=ties),
        ends=add_ends(part.ends for part in facts),
    )


def _square(rows: CoxRows, centre: np.ndarray) -> tuple[np.ndarray]:
    return (((rows.values - centre) ** 2).sum(axis=0),)


def _placed(
    rows: CoxRows, scale: Scale, points: Points, at: np.ndarray, shift: float
) -> tuple[Likelihood, np.ndarray]:
    design = np.asfortranarray((rows.values - scale.centre) / scale.spread)
    none = TieTerms(*(np.empty(0),) * 3)
    sets = place_in_points(rows.spells, rows.strata, points)
    return Likelihood(design, None, sets, none), design @ at - shift


def _find_moments(
    rows: CoxRows, scale: Scale, points: Points, at: np.ndarray, shift: float
) -> Moments:
    return find_moments(*_placed(rows, scale, points, at, shift))


def _find_squares(rows: CoxRows, *told: Any) -> tuple[np.ndarray]:
    *placing, hazards, ties = told
    model, predictor = _placed(rows, *placing)
    risk = np.exp(predictor)
    pairs = zip(hazards.T, ties.T, strict=True)
    return (np.stack([find_squares(model, risk, hazard=h, at_tie=t) for h, t in pairs]),)


def _find_products(rows: CoxRows, *told: Any) -> tuple[np.ndarray]:
    *placing, steps, rests = told
    model, predictor = _placed(rows, *placing)
    risk = np.exp(predictor)
    martingale = find_martingale(model, risk, *steps.T)
    scores = [
        np.bincount(
            rows.spells.units,
            weights=residuals_at(model, risk, martingale, pull=tuple(rests[:, :, j].T), column=j),
        )
        for j in range(model.design.shape[1])
    ]
    held = np.stack(scores, axis=1)
    return (held.T @ held,)
