"""Counts of rows at risk and rows ended at every observed time."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from analytics.stats.distinct import distinct
from analytics.stats.spells import Spells


@dataclass(frozen=True, slots=True, eq=False)
class RiskCounts:
    """Counts on the sorted distinct ends of the rows.

    Parameters
    ----------
    times
        (T,) distinct times at which a row ends.
    position
        (n,) index into ``times`` of each row's end.
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
    times, position = distinct(spells.time)
    opened = None
    if spells.entry is not None:
        opened = np.searchsorted(times, spells.entry, side="right")
    cell = position * (n_causes + 1) + spells.event
    shape = (len(times), n_causes + 1)

    def count(weights: np.ndarray | None) -> tuple[np.ndarray, np.ndarray]:
        ended = np.bincount(cell, weights=weights, minlength=shape[0] * shape[1]).reshape(shape)
        return ended, _still_open(ended.sum(axis=1), opened, weights)

    counts, n_at_risk = count(None)
    ended, at_risk = (counts, n_at_risk) if spells.weights is None else count(spells.weights)
    return RiskCounts(
        times=times,
        position=position,
        opened=opened,
        n_at_risk=n_at_risk.astype(np.int64),
        n_ended=counts.astype(np.int64),
        at_risk=at_risk.astype(float),
        ended=ended.astype(float),
    )


def _still_open(
    ended: np.ndarray, opened: np.ndarray | None, weights: np.ndarray | None
) -> np.ndarray:
    # Summed from the last time backwards, so that the few at the end carry no rounding error
    # from the many at the beginning.
    still = np.cumsum(ended[::-1])[::-1]
    if opened is None:
        return still
    starts = np.bincount(opened, weights=weights, minlength=len(ended) + 1)
    later = np.cumsum(starts[::-1])[::-1]
    return still - later[1:]
