"""Kaplan-Meier curves with cluster-robust intervals, and what is read from them."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from analytics.stats.at_risk import RiskCounts, add_ends, count_ends, tabulate_ends
from analytics.stats.blocks import Each, add, in_one_block
from analytics.stats.cluster_paths import InfluenceSteps, clustered_variance, follow_clusters
from analytics.stats.spells import FEW_CLUSTERS, Spells, as_spells, require_single_cause, two_sided

#: Nearer to 0 or 1 than this, a probability is one of them.
NEAR_EDGE = 1e-12


@dataclass(frozen=True, slots=True, eq=False)
class SurvivalCurve:
    """A survival curve at every time at which a row ended.

    Parameters
    ----------
    times
        (T,) distinct times, in the unit given.
    at_risk, events, censored
        (T,) rows at risk just before, ended by the event, censored at each time; unweighted.
    clusters_at_risk
        (T,) clusters with a row at risk; equal to ``at_risk`` without clusters.
    estimate
        (T,) probability of being free of the event after each time.
    se, lower, upper
        (T,) standard error of ``estimate`` and limits on the log-log scale; NaN where the curve
        is 0, and everywhere when there was no event.
    se_naive
        (T,) Greenwood's standard error, which takes all rows as independent.
    n, n_events, n_clusters
        Rows, events, clusters (rows when not clustered).
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
    estimate: np.ndarray
    se: np.ndarray
    se_naive: np.ndarray
    lower: np.ndarray
    upper: np.ndarray
    n: int
    n_events: int
    n_clusters: int
    conf_level: float
    notes: tuple[str, ...]


def kaplan_meier(
    time: ArrayLike,
    event: ArrayLike,
    *,
    entry: ArrayLike | None = None,
    cluster: ArrayLike | None = None,
    conf_level: float = 0.95,
) -> SurvivalCurve:
    """Estimate a survival curve from plain arrays.

    Parameters
    ----------
    time
        (n,) time at which each row ended, above 0.
    event
        (n,) 1 or True where the event ended the row, 0 where it was censored.
    entry
        (n,) time from which the row was under observation; at risk on (entry, time].
    cluster
        (n,) labels of rows that are not independent; ``None`` takes all rows as independent.
    conf_level
        Level of the limits.

    Returns
    -------
    SurvivalCurve
        The curve; for weighted rows give a :class:`Spells` to :func:`product_limit`.

    Raises
    ------
    NotEstimableError
        As in :func:`analytics.stats.spells.as_spells`.
    """
    return product_limit(
        as_spells(time, event, entry=entry, cluster=cluster), conf_level=conf_level
    )


def product_limit(spells: Spells, *, conf_level: float = 0.95) -> SurvivalCurve:
    """Estimate a survival curve from checked rows, weighted or not.

    Kaplan and Meier (1958) J Am Stat Assoc 53:457, eq. 2b; Greenwood's variance for independent
    rows; otherwise the infinitesimal jackknife summed within clusters (Therneau and Grambsch
    2000, ch. 2.2), which with one row per cluster equals Greenwood. Weighted rows always get
    the jackknife, each row standing alone unless clusters are given. Limits: Kalbfleisch and
    Prentice (2002) eq. 1.13.

    Parameters
    ----------
    spells
        Checked rows with event codes 0 and 1; weights may express the inverse probability of
        remaining under observation.
    conf_level
        Level of the limits; Student's t with (clusters - 1) degrees of freedom where there are
        fewer than ``FEW_CLUSTERS`` clusters.

    Returns
    -------
    SurvivalCurve
        The curve on the observed times.
    """
    require_single_cause(spells)
    return product_limit_over(in_one_block(spells), conf_level=conf_level)


def product_limit_over(each: Each, *, conf_level: float = 0.95) -> SurvivalCurve:
    """Estimate a survival curve from rows in blocks; see :func:`product_limit`.

    Risk tables of the blocks add up to the curve; a second pass, which knows it, sums the squared
    influence of the clusters.

    Parameters
    ----------
    each
        Blocks of checked rows, :class:`Spells` with event codes 0 and 1; errors ``no_rows`` and
        ``one_cluster``.
    conf_level
        Level of the limits.
    """
    table = add_ends(each(tabulate_ends, 1))
    counts = count_ends(table)
    estimate, slope = np.cumprod(survival_step(counts)), hazard_slope(counts)
    naive = _times_curve(estimate, np.sqrt(np.cumsum(slope)))
    robust, clusters = naive, counts.n_at_risk
    if table.n_clusters is not None or table.is_weighted:
        steps = log_survival_steps(counts, slope)
        still, products = add(each(follow_clusters, counts, (steps,)))
        clusters = clusters if table.n_clusters is None else still
        robust = _times_curve(estimate, np.sqrt(clustered_variance(products, steps)))
    z = two_sided(conf_level, table.n_clusters)
    lower, upper = log_log_limits(estimate, robust, z=z)
    n = int(counts.n_ended.sum())
    return SurvivalCurve(
        times=counts.times,
        at_risk=counts.n_at_risk,
        clusters_at_risk=clusters,
        events=counts.n_ended[:, 1],
        censored=counts.n_ended[:, 0],
        estimate=estimate,
        se=robust,
        se_naive=naive,
        lower=lower,
        upper=upper,
        n=n,
        n_events=int(counts.n_ended[:, 1].sum()),
        n_clusters=n if table.n_clusters is None else table.n_clusters,
        conf_level=conf_level,
        notes=_notes(estimate, table.n_clusters),
    )


def follow_up_curve(spells: Spells, *, conf_level: float = 0.95) -> SurvivalCurve:
    """Estimate how long rows were followed, the event taking the part of censoring.

    Schemper and Smith (1996) Control Clin Trials 17:343 ("reverse" Kaplan-Meier). At a tie
    a row that ended by the event still counts as at risk of being censored.

    Parameters
    ----------
    spells
        Checked rows with event codes 0 and 1.
    conf_level
        Level of the limits.

    Returns
    -------
    SurvivalCurve
        Its median (:func:`analytics.stats.curve_reading.quantile`) is the median follow-up.
    """
    require_single_cause(spells)
    flipped = Spells(
        time=spells.time,
        event=1 - spells.event,
        entry=spells.entry,
        cluster=spells.cluster,
        weights=spells.weights,
    )
    return product_limit(flipped, conf_level=conf_level)


def log_log_limits(
    estimate: np.ndarray, se: np.ndarray, *, z: float
) -> tuple[np.ndarray, np.ndarray]:
    """Return limits of a probability that are symmetric for log(-log(probability)).

    Parameters
    ----------
    estimate, se
        (T,) probability and its standard error.
    z
        Quantile of the reference distribution.

    Returns
    -------
    tuple of numpy.ndarray
        Lower and upper limits: 1 and 1 where nothing has happened yet, NaN where the estimate
        is 0 or nothing ever happened.
    """
    # One less a sum of many steps is seldom exactly 0 or 1: so near, it is rounding.
    inside = (estimate > NEAR_EDGE) & (estimate < 1 - NEAR_EDGE)
    lower, upper = np.full(len(estimate), np.nan), np.full(len(estimate), np.nan)
    log_p = np.log(estimate[inside])
    spread = z * se[inside] / (estimate[inside] * -log_p)
    lower[inside] = np.exp(log_p * np.exp(spread))
    upper[inside] = np.exp(log_p * np.exp(-spread))
    is_one = estimate >= 1 - NEAR_EDGE
    if not is_one.all():
        lower[is_one] = upper[is_one] = 1.0
    return lower, upper


def log_survival_steps(counts: RiskCounts, slope: np.ndarray) -> InfluenceSteps:
    """Return the steps of each row's influence on log S(t).

    The derivative of log S(t) by the weight of a row at risk on (V, T] is
    ``G(min(T, t)) - G(V) - [event, T <= t] / (Y - d)(T)`` with ``G = cumsum(d / (Y (Y - d)))``.

    Parameters
    ----------
    counts
        Counts of the rows.
    slope
        (T,) ``d / (Y (Y - d))``, 0 where everyone at risk had the event.

    Returns
    -------
    InfluenceSteps
        States (constant, rows at risk) on the basis (1, G).
    """
    total = np.cumsum(slope)
    d = counts.ended[:, 1:].sum(axis=1)
    left = counts.at_risk - d
    jump = np.divide(1.0, left, out=np.zeros_like(left), where=left > _rounding(counts))
    at_end = np.full((*counts.ended.shape, 2), -1.0)
    at_end[:, 0, 0], at_end[:, 1:, 0] = total, (total - jump)[:, None]
    at_entry = np.array([0.0, 1.0])
    if counts.opened is not None:
        at_entry = np.column_stack([-np.append(0.0, total), np.ones(len(total) + 1)])
    basis = np.column_stack([np.ones(len(total)), total])
    return InfluenceSteps(at_entry, at_end, basis)


def hazard_slope(counts: RiskCounts) -> np.ndarray:
    """Return ``d / (Y (Y - d))`` at each time, 0 where nobody is left after it."""
    d = counts.ended[:, 1:].sum(axis=1)
    left = counts.at_risk - d
    usable = left > _rounding(counts)
    return np.divide(d, counts.at_risk * left, out=np.zeros_like(d), where=usable)


def survival_step(counts: RiskCounts) -> np.ndarray:
    """Return ``1 - d / Y`` at each time, exactly 0 where nobody is left after it."""
    d = counts.ended[:, 1:].sum(axis=1)
    return np.where(counts.at_risk - d > _rounding(counts), 1 - d / counts.at_risk, 0.0)


def _rounding(counts: RiskCounts) -> float:
    # Sums of weights carry rounding error: what is left below it is nobody.
    return 1e-12 * float(counts.at_risk.max())


def _times_curve(estimate: np.ndarray, se_of_log: np.ndarray) -> np.ndarray:
    known = (estimate > 0) & bool((estimate < 1).any())
    return np.where(known, estimate * se_of_log, np.nan)


def _notes(estimate: np.ndarray, n_clusters: int | None) -> tuple[str, ...]:
    said = {
        "no_events": bool((estimate >= 1).all()),
        "few_clusters": n_clusters is not None and n_clusters < FEW_CLUSTERS,
        "reached_zero": bool((estimate <= 0).any()),
    }
    return tuple(code for code, holds in said.items() if holds)
