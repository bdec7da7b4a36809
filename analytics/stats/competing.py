"""Competing causes: cumulative incidence by the exact formula, with cluster-robust limits."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike

from analytics.errors import NotEstimableError
from analytics.stats.at_risk import RiskCounts, add_ends, count_ends, tabulate_ends
from analytics.stats.blocks import Each, add, in_one_block
from analytics.stats.cluster_paths import InfluenceSteps, clustered_variance, follow_clusters
from analytics.stats.spells import FEW_CLUSTERS, Spells, as_spells, two_sided
from analytics.stats.survival import hazard_slope, log_log_limits, survival_step


@dataclass(frozen=True, slots=True, eq=False)
class IncidenceCurves:
    """Cumulative incidence of each cause at every time at which a row ended.

    Parameters
    ----------
    times
        (T,) distinct times, in the unit given.
    at_risk, clusters_at_risk, censored
        (T,) rows and clusters at risk just before, rows censored at each time; unweighted.
    events
        (T, C) rows ended by cause 1, ..., C.
    survival
        (T,) probability of none of the causes so far; with the C incidences it adds up to 1.
    estimate, se, lower, upper
        (T, C) cumulative incidence, its standard error, and limits symmetric for
        log(-log(1 - incidence)), which are 0 before the first event of the cause.
    n, n_events, n_clusters
        Rows, (C,) events by cause, clusters (rows when not clustered).
    conf_level
        Level of the limits.
    notes
        Stable codes: ``no_events``, ``few_clusters`` (limits by Student's t), ``reached_zero``.
    """

    times: np.ndarray
    at_risk: np.ndarray
    clusters_at_risk: np.ndarray
    events: np.ndarray
    censored: np.ndarray
    survival: np.ndarray
    estimate: np.ndarray
    se: np.ndarray
    lower: np.ndarray
    upper: np.ndarray
    n: int
    n_events: np.ndarray
    n_clusters: int
    conf_level: float
    notes: tuple[str, ...]


def aalen_johansen(
    time: ArrayLike,
    cause: ArrayLike,
    *,
    entry: ArrayLike | None = None,
    cluster: ArrayLike | None = None,
    conf_level: float = 0.95,
) -> IncidenceCurves:
    """Estimate cumulative incidences from plain arrays.

    Parameters
    ----------
    time
        (n,) time at which each row ended, above 0.
    cause
        (n,) what ended it: 0 censored, 1, 2, ... a cause.
    entry
        (n,) time from which the row was under observation; at risk on (entry, time].
    cluster
        (n,) labels of rows that are not independent; ``None`` takes all rows as independent.
    conf_level
        Level of the limits.

    Returns
    -------
    IncidenceCurves
        One curve per cause from 1 to the largest code.

    Raises
    ------
    NotEstimableError
        As in :func:`analytics.stats.spells.as_spells`.
    """
    spells = as_spells(time, cause, entry=entry, cluster=cluster)
    return incidence(spells, conf_level=conf_level)


def incidence(
    spells: Spells, *, n_causes: int | None = None, conf_level: float = 0.95
) -> IncidenceCurves:
    """Estimate cumulative incidences from checked rows, weighted or not.

    Aalen and Johansen (1978) Scand J Stat 5:141: the sum of S(t-) d_c / Y. Causes tied at one
    time share it; none is put before another, by chance or otherwise. Errors: infinitesimal
    jackknife, summed within clusters; with one row per cluster that of R's ``survfit`` for
    several states (cmprsk prints Aalen's variance, which differs in the third figure).

    Parameters
    ----------
    spells
        Checked rows with event codes 0, 1, 2, ...
    n_causes
        Number of causes, when the largest code may be absent from these rows.
    conf_level
        Level of the limits; Student's t where the clusters are few.

    Returns
    -------
    IncidenceCurves
        One curve per cause.

    Raises
    ------
    NotEstimableError
        ``cause_out_of_range`` when a code is above ``n_causes``.
    """
    largest = int(spells.event.max())
    causes = max(largest, 1) if n_causes is None else n_causes
    if causes < largest:
        raise NotEstimableError("cause_out_of_range", n_causes=causes, largest=largest)
    return incidence_over(in_one_block(spells), n_causes=causes, conf_level=conf_level)


def incidence_over(each: Each, *, n_causes: int, conf_level: float = 0.95) -> IncidenceCurves:
    """Estimate cumulative incidences from rows in blocks; see :func:`incidence`.

    Parameters
    ----------
    each
        Blocks of checked rows, :class:`Spells` with event codes up to ``n_causes``.
    n_causes
        Number of causes.
    conf_level
        Level of the limits.

    Raises
    ------
    NotEstimableError
        ``no_rows``, ``one_cluster``.
    """
    table = add_ends(each(tabulate_ends, n_causes))
    counts = count_ends(table)
    survival = np.cumprod(survival_step(counts))
    before = np.append(1.0, survival[:-1])
    steps = before[:, None] * counts.ended[:, 1:] / counts.at_risk[:, None]
    estimate = np.cumsum(steps, axis=0)
    moves = tuple(_influence_steps(counts, c, steps[:, c]) for c in range(n_causes))
    still, *products = add(each(follow_clusters, counts, moves))
    variances = [clustered_variance(*pair) for pair in zip(products, moves, strict=True)]
    se = np.sqrt(np.stack(variances, axis=1))
    z = two_sided(conf_level, table.n_clusters)
    limits = [_limits(estimate[:, c], se[:, c], z) for c in range(n_causes)]
    n = int(counts.n_ended.sum())
    return IncidenceCurves(
        times=counts.times,
        at_risk=counts.n_at_risk,
        clusters_at_risk=counts.n_at_risk if table.n_clusters is None else still,
        events=counts.n_ended[:, 1:],
        censored=counts.n_ended[:, 0],
        survival=survival,
        estimate=estimate,
        se=se,
        lower=np.stack([lower for lower, _ in limits], axis=1),
        upper=np.stack([upper for _, upper in limits], axis=1),
        n=n,
        n_events=counts.n_ended[:, 1:].sum(axis=0),
        n_clusters=n if table.n_clusters is None else table.n_clusters,
        conf_level=conf_level,
        notes=_notes(counts, survival, table.n_clusters),
    )


def read_incidence(curves: IncidenceCurves, times: ArrayLike, *, cause: int = 1) -> pd.DataFrame:
    """Read the incidence of one cause at given times, never beyond the last time observed.

    Parameters
    ----------
    curves
        Cumulative incidences.
    times
        (k,) times in the curves' unit.
    cause
        From 1.

    Returns
    -------
    pandas.DataFrame
        ``time``, ``estimate``, ``se``, ``lower``, ``upper``, ``beyond_follow_up``; where the
        last is True the four values are NaN.
    """
    at = np.asarray(times, dtype=float).reshape(-1)
    beyond = at > curves.times[-1]
    index = np.searchsorted(curves.times, at, side="right")
    read: dict[str, np.ndarray] = {"time": at}
    for name in ("estimate", "se", "lower", "upper"):
        values = getattr(curves, name)[:, cause - 1]
        start = np.nan if np.isnan(values).any() else 0.0
        read[name] = np.where(beyond, np.nan, np.append(start, values)[index])
    return pd.DataFrame({**read, "beyond_follow_up": beyond})


def _influence_steps(counts: RiskCounts, c: int, step: np.ndarray) -> InfluenceSteps:
    """Return the steps of each row's influence on the incidence of cause ``c + 1``.

    With B the influence on log S, the influence of a row on F(t) is
    ``sum over u <= t of dF(u) B(u-)``, plus ``S(u-) / Y(u)`` at its own event of the cause, minus
    ``sum of dF(u) / Y(u)`` while it is at risk. So its state is (constant, multiple of F, rows
    at risk) on the basis (1, F, J - K), where J and K sum ``dF(u) G(u-)`` and ``dF(u) / Y(u)``.
    """
    total = np.append(0.0, np.cumsum(hazard_slope(counts)))
    curve = np.append(0.0, np.cumsum(step))
    inner = np.append(0.0, np.cumsum(step * (total[:-1] - 1 / counts.at_risk)))
    d = counts.ended[:, 1:].sum(axis=1)
    left = counts.at_risk - d
    jump = np.divide(1.0, left, out=np.zeros_like(left), where=total[1:] > total[:-1])
    own = np.divide(step, counts.ended[:, 1 + c], out=np.zeros_like(step), where=step > 0)
    at_end = np.full((*counts.ended.shape, 3), -1.0)
    at_end[:, 0, 1], at_end[:, 1:, 1] = total[1:], (total[1:] - jump)[:, None]
    at_end[:, :, 0] = inner[1:, None] - at_end[:, :, 1] * curve[1:, None]
    at_end[:, 1 + c, 0] += own
    at_entry = np.array([0.0, 0.0, 1.0])
    if counts.opened is not None:
        at_entry = np.column_stack([total * curve - inner, -total, np.ones(len(total))])
    basis = np.column_stack([np.ones(len(step)), curve[1:], inner[1:]])
    return InfluenceSteps(at_entry, at_end, basis)


def _limits(estimate: np.ndarray, se: np.ndarray, z: float) -> tuple[np.ndarray, np.ndarray]:
    lower, upper = log_log_limits(1 - estimate, se, z=z)
    return 1 - upper, 1 - lower


def _notes(counts: RiskCounts, survival: np.ndarray, n_clusters: int | None) -> tuple[str, ...]:
    said = {
        "no_events": not counts.n_ended[:, 1:].any(),
        "few_clusters": n_clusters is not None and n_clusters < FEW_CLUSTERS,
        "reached_zero": bool(survival[-1] <= 0),
    }
    return tuple(code for code, holds in said.items() if holds)
