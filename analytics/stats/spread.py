"""Quantiles and ratios of sums over rows that share a cluster, per group."""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray
from scipy import stats

from analytics.stats.proportions import Interval, clustered_proportion

#: Half-width on the log scale beyond which a limit is as good as none (and exp would overflow).
WIDEST_LOG = 50.0


def clustered_quantile(
    values: ArrayLike,
    cluster: ArrayLike,
    share: float,
    *,
    group: ArrayLike,
    n_groups: int,
) -> Interval:
    """Quantile per group with an interval that knows which rows share a cluster.

    Parameters
    ----------
    values
        One finite number per row.
    cluster
        Cluster label per row.
    share
        Between 0 and 1; 0.5 is the median.
    group
        Whole number 0, 1, ... per row.
    n_groups
        How many groups to return.

    Returns
    -------
    Interval
        One element per group, NaN for a group without rows.

    Notes
    -----
    The estimate is the smallest value at or below which at least this share lies (definition 1
    of Hyndman & Fan 1996, Am Stat 50:361), so that a count stays a count. The limits invert the
    interval of the proportion at or below the estimate: Woodruff 1952, J Am Stat Assoc 47:635.
    """
    x, code = np.asarray(values, dtype=float), np.asarray(group, dtype=np.int64)
    order = np.lexsort((x, code))
    ordered = x[order]
    n = np.bincount(code, minlength=n_groups)
    first = np.concatenate([[0], np.cumsum(n)[:-1]])
    estimate = _at(ordered, first, n, np.full(n_groups, share))
    at_or_below = x <= estimate[code]
    # The interval is put around the share itself, with the effective size of the estimate's share.
    size = clustered_proportion(at_or_below, cluster, group=code, n_groups=n_groups).n_effective
    with np.errstate(divide="ignore", invalid="ignore"):
        half = stats.norm.ppf(0.975) * np.sqrt(share * (1 - share) / size)
    lower = _at(ordered, first, n, np.clip(share - half, 0, 1))
    upper = _at(ordered, first, n, np.clip(share + half, 0, 1))
    return Interval(estimate, lower, upper)


def clustered_ratio(
    above: ArrayLike,
    below: ArrayLike,
    cluster: ArrayLike,
    *,
    group: ArrayLike,
    n_groups: int,
) -> Interval:
    """Ratio of two sums per group, with the linearised interval clustered on the log scale.

    Parameters
    ----------
    above, below
        Numbers of at least 0 per row.
    cluster
        Cluster label per row.
    group
        Whole number 0, 1, ... per row.
    n_groups
        How many groups to return.

    Returns
    -------
    Interval
        NaN where the sum below is 0; limits NaN where the sum above is 0 or one cluster is left.

    Notes
    -----
    Taylor linearisation of a ratio of totals, Cochran 1977, Sampling Techniques, section 6.4,
    on the logarithm; t with clusters less one.
    """
    a, b = np.asarray(above, dtype=float), np.asarray(below, dtype=float)
    code = np.asarray(group, dtype=np.int64)
    total_a = np.bincount(code, weights=a, minlength=n_groups)
    total_b = np.bincount(code, weights=b, minlength=n_groups)
    label = pd.factorize(pd.Series(cluster))[0]
    pair, pairs = pd.factorize(code * (int(label.max(initial=0)) + 1) + label)
    owner: NDArray[np.int64] = np.asarray(pairs) // (int(label.max(initial=0)) + 1)
    with np.errstate(divide="ignore", invalid="ignore"):
        ratio = total_a / total_b
        residual = np.bincount(pair, weights=a - ratio[code] * b, minlength=owner.size)
        n_clusters = np.bincount(owner, minlength=n_groups)
        spread = np.bincount(owner, weights=residual**2, minlength=n_groups)
        se_log = np.sqrt(spread * n_clusters / (n_clusters - 1)) / total_a
        # With two or three clusters t is so wide that the limits mean nothing long before here.
        width = np.minimum(stats.t.ppf(0.975, n_clusters - 1) * se_log, WIDEST_LOG)
        return Interval(ratio, ratio * np.exp(-width), ratio * np.exp(width))


def _at(
    ordered: NDArray[np.float64],
    first: NDArray[np.int64],
    n: NDArray[np.int64],
    share: NDArray[np.float64],
) -> NDArray[np.float64]:
    """Read definition 1 of the quantile from values sorted within groups."""
    place = np.maximum(np.ceil(np.nan_to_num(share) * n - 1e-9).astype(np.int64) - 1, 0)
    found = np.full(n.size, np.nan)
    some = n > 0
    found[some] = ordered[(first + np.minimum(place, np.maximum(n - 1, 0)))[some]]
    return found
