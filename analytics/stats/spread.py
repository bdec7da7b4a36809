"""Quantiles and ratios of sums over rows that share a cluster, per group."""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike

from analytics.stats.blocks import in_one_block
from analytics.stats.grouped import Grouped, quantiles_over, ratio_over
from analytics.stats.proportions import Interval


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
    rows = _grouped([values], cluster, group)
    return quantiles_over(in_one_block(rows), (share,), n_groups=n_groups)[0]


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
    rows = _grouped([above, below], cluster, group)
    return ratio_over(in_one_block(rows), n_groups=n_groups)


def _grouped(values: list[ArrayLike], cluster: ArrayLike, group: ArrayLike) -> Grouped:
    return Grouped(
        np.asarray(values, dtype=float),
        pd.factorize(pd.Series(cluster))[0].astype(np.int64),
        np.asarray(group, dtype=np.int64),
    )
