"""Counts of rows at risk and rows ended at every observed time."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace

import numpy as np

from analytics.errors import NotEstimableError
from analytics.stats.blocks import add_by_key
from analytics.stats.distinct import distinct, n_up_to
from analytics.stats.spells import Spells


@dataclass(frozen=True, slots=True, eq=False)
class EndTable:
    """How many rows end and enter at each time; tables of rows that share no cluster add up.

    Parameters
    ----------
    times
        (T,) sorted distinct times at which a row ends.
    n_ended, ended
        (T, 1 + causes) rows that end at t, censored in column 0, then by cause; and weighted.
    entries
        (E,) sorted distinct times at which a row enters; ``None`` where all enter at the origin.
    n_entered, entered
        (E,) rows that enter at each; and weighted.
    n_clusters
        Clusters; ``None`` where rows stand alone.
    is_weighted
        Whether rows have weights.
    """

    times: np.ndarray
    n_ended: np.ndarray
    ended: np.ndarray
    entries: np.ndarray | None
    n_entered: np.ndarray
    entered: np.ndarray
    n_clusters: int | None
    is_weighted: bool


@dataclass(frozen=True, slots=True, eq=False)
class RiskCounts:
    """Counts on the sorted distinct ends of the rows.

    Parameters
    ----------
    times
        (T,) distinct times at which a row ends.
    position
        (n,) index into ``times`` of each row's end; empty where no rows are placed.
    opened
        (n,) index of the first time at which each row is at risk; ``None``: all from the first.
    n_at_risk
        (T,) rows with entry < t <= time.
    n_ended
        (T, 1 + causes) rows that end at t, censored in column 0, then by cause.
    at_risk, ended
        The same, weighted.
    """

    times: np.ndarray
    position: np.ndarray
    opened: np.ndarray | None
    n_at_risk: np.ndarray
    n_ended: np.ndarray
    at_risk: np.ndarray
    ended: np.ndarray


def count_at_risk(spells: Spells, *, n_causes: int = 1) -> RiskCounts:
    """Count the rows at risk and the ways they end at every observed time.

    Parameters
    ----------
    spells
        Checked rows.
    n_causes
        Number of causes; event codes run from 0 to ``n_causes``.

    Returns
    -------
    RiskCounts
        Counts; whole numbers are exact, so that no order of rows can change them.
    """
    return place_rows(spells, count_ends(tabulate_ends(spells, n_causes)))


def tabulate_ends(spells: Spells, n_causes: int) -> EndTable:
    """Count how rows end and enter at each time; a step over blocks.

    Parameters
    ----------
    spells
        Checked rows.
    n_causes
        Number of causes; event codes run from 0 to ``n_causes``.
    """
    times, position = distinct(spells.time)
    cell = position * (n_causes + 1) + spells.event
    shape = (len(times), n_causes + 1)

    def count(weights: np.ndarray | None) -> np.ndarray:
        return np.bincount(cell, weights=weights, minlength=shape[0] * shape[1]).reshape(shape)

    n_ended, entries, n_entered = count(None), None, np.empty(0, dtype=np.int64)
    ended, entered = n_ended, n_entered
    if spells.entry is not None:
        entries, place = distinct(spells.entry)
        n_entered = entered = np.bincount(place, minlength=len(entries))
    if spells.weights is not None:
        ended = count(spells.weights)
        if entries is not None:
            entered = np.bincount(place, weights=spells.weights, minlength=len(entries))
    return EndTable(
        times=times,
        n_ended=n_ended,
        ended=ended,
        entries=entries,
        n_entered=n_entered,
        entered=entered,
        n_clusters=None if spells.cluster is None else spells.n_clusters,
        is_weighted=spells.weights is not None,
    )


def add_ends(tables: Iterable[EndTable]) -> EndTable:
    """Return the table of all rows.

    Parameters
    ----------
    tables
        Of blocks with rows, in order; all with clusters, or none.

    Raises
    ------
    NotEstimableError
        ``no_rows``, or ``one_cluster``.
    """
    parts = list(tables)
    if not parts:
        raise NotEstimableError("no_rows", n_rows=0)
    times, n_ended = add_by_key([p.times for p in parts], [p.n_ended for p in parts])
    weighted = any(p.is_weighted for p in parts)
    ended = add_by_key([p.times for p in parts], [p.ended for p in parts])[1]
    late = [p for p in parts if p.entries is not None]
    entries, n_entered, entered = None, parts[0].n_entered, parts[0].entered
    if late:
        keys = [p.entries for p in late if p.entries is not None]
        entries, n_entered = add_by_key(keys, [p.n_entered for p in late])
        entered = add_by_key(keys, [p.entered for p in late])[1]
    n_clusters = None
    if all(p.n_clusters is not None for p in parts):
        n_clusters = sum(p.n_clusters or 0 for p in parts)
        if n_clusters < 2:
            n_rows = int(n_ended.sum())
            raise NotEstimableError("one_cluster", n_clusters=n_clusters, n_rows=n_rows)
    return EndTable(times, n_ended, ended, entries, n_entered, entered, n_clusters, weighted)


def count_ends(table: EndTable) -> RiskCounts:
    """Return the counts at risk of a table, without a row placed in them."""

    def still_open(ended: np.ndarray, entered: np.ndarray) -> np.ndarray:
        # Summed from the last time backwards, so that the few at the end carry no rounding error
        # from the many at the beginning.
        still = np.cumsum(ended.sum(axis=1)[::-1])[::-1]
        if table.entries is None:
            return still
        opened = np.searchsorted(table.times, table.entries, side="right")
        starts = np.bincount(opened, weights=entered, minlength=len(ended) + 1)
        return still - np.cumsum(starts[::-1])[::-1][1:]

    nobody = np.empty(0, dtype=np.int64)
    return RiskCounts(
        times=table.times,
        position=nobody,
        opened=None if table.entries is None else nobody,
        n_at_risk=still_open(table.n_ended, table.n_entered).astype(np.int64),
        n_ended=table.n_ended.astype(np.int64),
        at_risk=still_open(table.ended, table.entered).astype(float),
        ended=table.ended.astype(float),
    )


def place_rows(spells: Spells, counts: RiskCounts) -> RiskCounts:
    """Return counts with these rows, all or a block of those counted, placed in them."""
    opened = None
    if counts.opened is not None:
        opened = np.zeros(len(spells.time), dtype=np.int64)
        if spells.entry is not None:
            opened = n_up_to(counts.times, spells.entry)
    return replace(counts, position=n_up_to(counts.times, spells.time) - 1, opened=opened)
