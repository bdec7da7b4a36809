"""Hazard ratios and casts by severity of a network in parts.

Rows are laid aside as numbers; after that each step of a fit asks for sums.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import partial

import numpy as np
import pandas as pd

from analytics.analyses import casts
from analytics.analyses.context import describe, why_not
from analytics.analyses.design import fill_matrix, fill_present, lay_out, sum_events
from analytics.analyses.followed import EVENT
from analytics.analyses.hazards import caveats, method_from, no_ratios, ratios, say_proportional
from analytics.analyses.in_parts import Asked
from analytics.analyses.network_designs import Casts, Chosen, Hazards
from analytics.analyses.told import stand_beside
from analytics.analyses.view import View, renumber
from analytics.courses.cohort import Cohort
from analytics.errors import NotEstimableError
from analytics.results import EFFECTS, Result
from analytics.stats.blocks import Each
from analytics.stats.cox_blocks import cox_over, proportionality_over
from analytics.stats.cox_sums import CoxRows, join_rows
from analytics.stats.distinct import distinct
from analytics.stats.links import LOG_LINEAR
from analytics.stats.marginal_block import Problem, as_block
from analytics.stats.spells import Spells

#: Feet of a block of the model of casts, sorted by clinic, and clinics, each a column of it.
BLOCK_FEET = 4_000
BLOCK_CLINICS = 40

#: Feet of whole clinics, about, whose hazards are worked out together.
PILE_FEET = 50_000


@dataclass(frozen=True, eq=False)
class Dealt:
    """What is known of the rows of hazards that a batch laid aside.

    Parameters
    ----------
    n_events, by_column
        Events, in all and of the feet at each level.
    piles
        Of each block.
    n_shared
        Children with feet in two piles, who are numbered.
    """

    n_events: float
    by_column: np.ndarray
    piles: tuple[int, ...]
    n_shared: int


@dataclass(frozen=True, eq=False)
class _ModelRows:
    """Asks for the rows of a model."""

    model: Hazards | Casts
    chosen: Chosen

    @property
    def columns(self) -> frozenset[str]:
        """Return the columns of the foot that it looks at."""
        return self.model.columns

    def _find(self, view: View) -> pd.DataFrame:
        return self.model.find(view.only(self.columns))[0]


@dataclass(frozen=True, eq=False)
class HazardRows(_ModelRows):
    """Asks for the rows of hazards in piles of whole clinics; events are counted by column."""

    model: Hazards

    def look(self, view: View) -> tuple[Dealt, list[CoxRows]]:
        """Return what is known of the rows, and the rows of each pile of clinics."""
        rows, clinics = self._find(view), list(self.chosen.clinics)
        event = (rows["ended"] == EVENT).to_numpy()
        matrix = fill_matrix(rows, self.model.covariates, self.chosen.lines)
        by_column = sum_events(matrix, self.chosen.terms, event.astype(float))
        strata = pd.Categorical(rows["clinic"], categories=clinics).codes.astype(np.int64)
        n_piles = -(-self.chosen.told.n_feet // PILE_FEET)
        pile = strata * n_piles // max(len(clinics), 1)
        child = renumber(rows["child"].to_numpy(dtype=np.int64))
        entry = np.maximum(rows["entry_days"].to_numpy(dtype=float), self.model.landmark)
        time = rows["time_days"].to_numpy(dtype=float)
        spells = Spells(time, event.astype(np.int64), entry, child, None)
        every = CoxRows(spells, matrix, strata, _number_shared(child, pile))
        blocks = _deal(every, pile) if matrix.shape[1] else {}
        n_shared = int(every.shared.max(initial=-1)) + 1
        return Dealt(float(event.sum()), by_column, tuple(blocks), n_shared), [*blocks.values()]


@dataclass(frozen=True, eq=False)
class CastRows(_ModelRows):
    """Asks for the rows of the model of casts; casts are counted by column."""

    model: Casts

    def look(self, view: View) -> tuple[np.ndarray, list[Problem]]:
        """Return casts by column, and rows in blocks of few clinics."""
        rows = self._find(view)
        # A child's feet stay together, in the clinic of the first of them.
        clinic = pd.factorize(rows.groupby("child")["clinic"].transform("first"))[0]
        order = np.lexsort((pd.factorize(rows["child"])[0], clinic))
        rows = rows.iloc[order].reset_index(drop=True)
        child = pd.factorize(rows["child"])[0].astype(np.int64)
        total, blocks = np.zeros(len(self.chosen.terms)), []
        for place in _cut(child, clinic[order]):
            block, by_column = self._block(rows.iloc[place], child[place])
            total += by_column
            blocks.append(block)
        return total, blocks

    def _block(self, rows: pd.DataFrame, child: np.ndarray) -> tuple[Problem, np.ndarray]:
        n_casts = rows["n_casts"].to_numpy(dtype=float)
        matrix, columns = fill_present(rows, self.model.covariates, self.chosen.lines)
        by_column = np.zeros(len(self.chosen.terms))
        by_column[columns] = sum_events(matrix, self.chosen.terms.iloc[columns], n_casts)
        design = np.column_stack([np.ones(len(rows)), matrix])
        held = np.append(0, columns + 1)
        return as_block(LOG_LINEAR, n_casts, design, child, columns=held), by_column


def _cut(child: np.ndarray, clinic: np.ndarray) -> list[slice]:
    """Return stretches in which children are whole; neither feet nor clinics are too many."""
    if not len(child):
        return []
    cuts = [0]
    for start in np.flatnonzero(child[1:] != child[:-1]) + 1:
        n_clinics = clinic[start] - clinic[cuts[-1]]
        if start - cuts[-1] >= BLOCK_FEET or n_clinics >= BLOCK_CLINICS:
            cuts.append(int(start))
    return [slice(*pair) for pair in zip(cuts, [*cuts[1:], len(child)], strict=True)]


def hazard_effects(nobody: Cohort, model: Hazards, chosen: Chosen, asked: Asked) -> Result:
    """Return hazard ratios of a network, as ``hazards.effects``.

    Parameters
    ----------
    nobody
        The network's days and windows.
    model, chosen
        What is asked, and its design.
    asked
        What batches answered to :class:`HazardRows`.
    """
    terms = chosen.terms
    n_events = int(sum(dealt.n_events for dealt in asked.facts))
    events = np.sum([np.zeros(len(terms)), *(dealt.by_column for dealt in asked.facts)], axis=0)
    described = describe(
        nobody, f"{model.endpoint}_effects", nobody.feet, method=method_from(model.landmark)
    )
    told = replace(chosen.told, n_events=n_events)
    context = stand_beside(described, told)
    try:
        if not told.n_feet:
            raise NotEstimableError("no_rows", n_rows=0)
        if not len(terms):
            raise NotEstimableError("constant_covariate", n_rows=told.n_feet)
        level = terms["level"].where(terms["level"].eq(""), ":" + terms["level"])
        fit = cox_over(_join_piles(asked), (terms["term"] + level).tolist())
    except NotEstimableError as reason:
        context = replace(context, notes=(*context.notes, why_not(reason)))
        return Result(EFFECTS, lay_out(terms, events, no_ratios(terms)), context)
    said = say_proportional(partial(proportionality_over, fit))
    notes = (*context.notes, *said, *caveats(fit, chosen.constants(model.covariates)))
    return Result(EFFECTS, lay_out(terms, events, ratios(fit)), replace(context, notes=notes))


def _join_piles(asked: Asked) -> Each:
    """Return the rows of hazards, whole clinics in each block."""
    piles, begin, n_shared = [], [], 0
    for dealt in asked.facts:
        piles += dealt.piles
        begin += [n_shared] * len(dealt.piles)
        n_shared += dealt.n_shared
    return asked.each.join(piles, join_rows, begin)


def _deal(rows: CoxRows, pile: np.ndarray) -> dict[int, CoxRows]:
    """Return the rows of each pile; all enter late."""
    spells, blocks = rows.spells, {}
    assert spells.entry is not None
    for number in np.unique(pile).tolist():
        own = np.flatnonzero(pile == number)
        kept, cluster = distinct(spells.units[own])
        mine = Spells(spells.time[own], spells.event[own], spells.entry[own], cluster, None)
        blocks[number] = CoxRows(mine, rows.values[own], rows.strata[own], rows.shared[kept])
    return blocks


def _number_shared(child: np.ndarray, pile: np.ndarray) -> np.ndarray:
    """Return, for each child, its number among those with feet in two piles; -1 for others."""
    n_children = int(child.max(initial=-1)) + 1
    first = np.zeros(n_children, dtype=np.int64)
    first[child] = pile
    is_shared = np.zeros(n_children, dtype=bool)
    is_shared[child[pile != first[child]]] = True
    return np.where(is_shared, np.cumsum(is_shared) - 1, -1)


def cast_effects(nobody: Cohort, model: Casts, chosen: Chosen, asked: Asked) -> Result:
    """Return rate ratios of casts of a network, as ``casts.effects``.

    Parameters
    ----------
    nobody
        The network's days and windows.
    model, chosen
        What is asked, and its design.
    asked
        What batches answered to :class:`CastRows`.
    """
    context = casts.describe_effects(nobody, model.score, nobody.feet)
    context = stand_beside(context, chosen.told, events=False)
    first = next((s for s, lines in zip(chosen.seen, chosen.lines, strict=True) if lines), None)
    values = (np.empty(0), np.empty(0, dtype=np.int64))
    if first is not None:
        n = int(chosen.terms["n"].iloc[0])
        of_level = (np.array([0.0, 1.0]), np.array([chosen.told.n_feet - n, n]))
        values = (first.values, first.n) if first.is_number else of_level
    told = casts.Terms(
        chosen.terms,
        chosen.constants(model.covariates),
        np.sum([np.zeros(len(chosen.terms)), *asked.facts], axis=0),
        values,
        chosen.told.n_feet,
    )
    return casts.answer(context, told, asked.each)
