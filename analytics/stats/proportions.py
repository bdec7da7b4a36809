"""Intervals for proportions and rates: Wilson, exact, and adjusted for rows that share a cluster.

Convention for nothing: with a denominator of zero the estimate and both limits are NaN.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray
from scipy import stats

from analytics.errors import NotEstimableError

Floats = NDArray[np.floating]


@dataclass(frozen=True)
class Interval:
    """An estimate with its limits; three arrays of one shape, NaN where nothing was counted."""

    estimate: Floats
    lower: Floats
    upper: Floats


@dataclass(frozen=True)
class ClusteredProportion(Interval):
    """A proportion of rows in clusters, one element per group.

    ``se`` is the linearised standard error of the estimate, ``design_effect`` its square over
    that of independent rows (never below 1), ``n_effective`` what entered the interval.
    """

    n: NDArray[np.int64]
    n_yes: NDArray[np.int64]
    n_clusters: NDArray[np.int64]
    se: Floats
    design_effect: Floats
    n_effective: Floats


def wilson(k: ArrayLike, n: ArrayLike, *, level: float = 0.95) -> Interval:
    """Interval of a binomial proportion by inverting the score test.

    Parameters
    ----------
    k, n
        Successes and trials, any shapes that broadcast; need not be whole numbers, so that an
        effective sample size can be passed.
    level
        Coverage wanted, between 0 and 1.

    Returns
    -------
    Interval
        NaN where ``n`` is 0. Exactly 0 below for k = 0 and exactly 1 above for k = n.

    Raises
    ------
    NotEstimableError
        ``counts_out_of_range`` when k is negative or above n.

    Notes
    -----
    Wilson 1927, J Am Stat Assoc 22:209; no continuity correction.
    """
    k, n = _checked(k, n)
    z = _z(level)
    with np.errstate(divide="ignore", invalid="ignore"):
        p = k / n
        shrink = 1 + z**2 / n
        centre = (p + z**2 / (2 * n)) / shrink
        half = z * np.sqrt(p * (1 - p) / n + z**2 / (4 * n**2)) / shrink
    lower = np.where(k == 0, 0.0, centre - half)
    upper = np.where(k == n, 1.0, centre + half)
    return Interval(p, np.where(n > 0, lower, np.nan), np.where(n > 0, upper, np.nan))


def clopper_pearson(k: ArrayLike, n: ArrayLike, *, level: float = 0.95) -> Interval:
    """Exact binomial interval, each tail at most half of what is left out.

    Parameters and conventions as in `wilson`. Clopper & Pearson 1934, Biometrika 26:404,
    by the beta quantiles; for k = 0 the upper limit is 1 - (alpha/2)^(1/n), as in R's
    ``binom.test``, not the one-sided limit behind the rule of three.
    """
    k, n = _checked(k, n)
    tail = (1 - level) / 2
    with np.errstate(divide="ignore", invalid="ignore"):
        estimate = k / n
    lower = stats.beta.ppf(tail, np.where(k > 0, k, np.nan), n - k + 1)
    upper = stats.beta.ppf(1 - tail, k + 1, np.where(k < n, n - k, np.nan))
    lower = np.where(k == 0, 0.0, lower)
    upper = np.where(k == n, 1.0, upper)
    return Interval(estimate, np.where(n > 0, lower, np.nan), np.where(n > 0, upper, np.nan))


def clustered_proportion(
    outcome: ArrayLike,
    cluster: ArrayLike,
    *,
    group: ArrayLike | None = None,
    n_groups: int | None = None,
    level: float = 0.95,
) -> ClusteredProportion:
    """Proportion of rows, per group, with an interval that knows which rows share a cluster.

    Parameters
    ----------
    outcome
        One boolean (or 0/1) per row; a missing value is refused, never read as no.
    cluster
        Cluster label per row, any comparable type; a cluster met in two groups counts in each.
    group
        Whole number 0, 1, ... per row; all rows are one group when not given.
    n_groups
        How many groups to return; the largest code plus one when not given.
    level
        Coverage wanted.

    Returns
    -------
    ClusteredProportion
        One element per group; NaN for a group without rows.

    Raises
    ------
    NotEstimableError
        ``missing_outcome`` or ``missing_cluster``, with how many.

    Notes
    -----
    The linearised variance with the factor C/(C-1) over that of independent rows with n/(n-1)
    is the design effect, held at 1 or more; the effective size n/deff is corrected for few
    clusters by (t[n-1]/t[C-1])^2 and enters Wilson's interval: Korn & Graubard 1998, Surv
    Methodol 24:193, with Wilson's interval in place of theirs (Franco et al. 2019, J Surv Stat
    Methodol 7:334). One row per cluster gives Wilson's interval on the rows.
    Where no row, or every row, is a yes the variance says nothing: rows of a cluster are then
    taken as one (Kish's effect at a correlation of 1) and the interval is the exact one.
    A group with one cluster likewise counts as one row.
    """
    yes, label, code = _rows(outcome, cluster, group)
    size = int(code.max()) + 1 if n_groups is None and code.size else int(n_groups or 0)
    owner, of_row = _clusters_in_groups(code, label)
    m = np.bincount(of_row, minlength=owner.size)
    y = np.bincount(of_row, weights=yes, minlength=owner.size)
    return patterned_proportion(np.stack([m, y]), owner, n_groups=size, level=level)


def patterned_proportion(
    pattern: ArrayLike,
    group: ArrayLike,
    *,
    alike: ArrayLike = 1,
    n_groups: int,
    level: float = 0.95,
) -> ClusteredProportion:
    """Proportion of rows from clusters instead of rows; else as `clustered_proportion`.

    Counts of clusters that are alike add up, so this answers for data of any size.

    Parameters
    ----------
    pattern
        Two rows: the rows of a cluster, and how many of them are a yes.
    group
        Whole number 0, 1, ... per entry.
    alike
        How many clusters an entry stands for.
    n_groups
        How many groups to return.
    level
        Coverage wanted.
    """
    (m, y), owner = np.asarray(pattern), np.asarray(group)
    times = np.broadcast_to(np.asarray(alike, dtype=float), m.shape)

    def total(each: NDArray[Any]) -> NDArray[Any]:
        return np.bincount(owner, weights=each * times, minlength=n_groups)

    n, k, n_clusters = (total(each).astype(np.int64) for each in (m, y, np.ones(m.shape)))
    with np.errstate(divide="ignore", invalid="ignore"):
        p = k / n
        spread = total((y - p[owner] * m) ** 2)
        variance = spread / n**2 * n_clusters / (n_clusters - 1)
        effect = np.maximum(variance * (n - 1) / (p * (1 - p)), 1.0)
        few = stats.t.ppf((1 + level) / 2, n - 1) / stats.t.ppf((1 + level) / 2, n_clusters - 1)
    as_one = total(m.astype(float) ** 2) / np.maximum(n, 1)
    silent = (k == 0) | (k == n) | (n_clusters < 2)
    effect = np.where(n > 0, np.where(silent, as_one, effect), np.nan)
    effective = n / effect * np.where(silent | (n < 2), 1.0, few**2)
    limits = _limits(p, np.nan_to_num(effective), level)
    return ClusteredProportion(
        p, limits.lower, limits.upper, n, k, n_clusters,
        np.where(silent, np.nan, np.sqrt(variance)), effect, effective,
    )  # fmt: skip


def kish_design_effect(sizes: ArrayLike, icc: float) -> float:
    """How much wider a variance is when rows of a cluster correlate by ``icc``.

    1 + (sum m^2 / sum m - 1) icc for cluster sizes m; Kish 1965, Survey Sampling, section 8.2,
    with unequal sizes.
    """
    m = np.asarray(sizes, dtype=float)
    if m.size == 0 or m.sum() <= 0:
        raise NotEstimableError("no_clusters", n_clusters=int(m.size))
    return float(1 + ((m**2).sum() / m.sum() - 1) * icc)


def _limits(p: Floats, n: Floats, level: float) -> Interval:
    score, exact = wilson(p * n, n, level=level), clopper_pearson(p * n, n, level=level)
    ends = (p == 0) | (p == 1)
    return Interval(
        p, np.where(ends, exact.lower, score.lower), np.where(ends, exact.upper, score.upper)
    )


def _rows(
    outcome: ArrayLike, cluster: ArrayLike, group: ArrayLike | None
) -> tuple[Floats, NDArray[np.int64], NDArray[np.int64]]:
    given = pd.Series(outcome)
    if n_missing := int(given.isna().sum()):
        raise NotEstimableError("missing_outcome", n_missing=n_missing)
    label, _ = pd.factorize(pd.Series(cluster))
    if n_missing := int((label < 0).sum()):
        raise NotEstimableError("missing_cluster", n_missing=n_missing)
    code = np.zeros(len(given), int) if group is None else np.asarray(group, dtype=np.int64)
    return np.asarray(given, dtype=np.float64), label.astype(np.int64), code


def _clusters_in_groups(
    code: NDArray[np.int64], label: NDArray[np.int64]
) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Group of each (group, cluster) pair, and the pair of each row."""
    n_labels = int(label.max(initial=0)) + 1
    of_row, pairs = pd.factorize(code * n_labels + label)
    return np.asarray(pairs, dtype=np.int64) // n_labels, of_row.astype(np.int64)


def _checked(k: ArrayLike, n: ArrayLike) -> tuple[Floats, Floats]:
    k, n = np.broadcast_arrays(np.asarray(k, dtype=float), np.asarray(n, dtype=float))
    # Effective sizes are products of fractions, so k may pass n by rounding alone.
    if wrong := int(((k < 0) | (k > n * (1 + 1e-12)) | (n < 0)).sum()):
        raise NotEstimableError("counts_out_of_range", n_wrong=wrong)
    return np.minimum(k, n), n


def _z(level: float) -> float:
    return float(stats.norm.ppf((1 + level) / 2))
