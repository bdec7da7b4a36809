"""Rows of many groups in blocks: shares, ratios and quantiles with clustered intervals."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import stats

from analytics.stats.blocks import Each, add, add_by_key
from analytics.stats.distinct import distinct
from analytics.stats.proportions import ClusteredProportion, Interval, patterned_proportion

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

#: Half-width on the log scale beyond which a limit is as good as none (and exp would overflow).
WIDEST_LOG = 50.0


@dataclass(frozen=True, eq=False)
class Grouped:
    """Rows of a block.

    Parameters
    ----------
    values
        (k, n) finite numbers, k to a row: the outcome of a share, the number of a quantile, what
        stands above and below the line of a ratio.
    cluster
        (n,) whole numbers from 0; clusters are whole in a block, and numbered within it.
    group
        (n,) whole numbers from 0, the same in all blocks.
    """

    values: Floats
    cluster: Ints
    group: Ints


def share_over(each: Each, *, n_groups: int, level: float = 0.95) -> ClusteredProportion:
    """Return the share of rows that are a yes, by group; see ``clustered_proportion``.

    Parameters
    ----------
    each
        Blocks of patterns, :func:`count_yes` of their rows.
    n_groups
        How many groups there are.
    level
        Coverage wanted.
    """
    parts = list(each(_as_they_are))
    return _from_patterns(parts, n_groups=n_groups, level=level)


def quantiles_over(each: Each, shares: Sequence[float], *, n_groups: int) -> list[Interval]:
    """Return quantiles by group, one interval for each share; see ``clustered_quantile``.

    Tables of how often each value was seen add up to the quantiles; a second pass counts, in each
    cluster, the rows at or below them.

    Parameters
    ----------
    each
        Blocks of :class:`Grouped` rows, one number each.
    shares
        Between 0 and 1.
    n_groups
        How many groups there are.
    """
    tables = list(each(_count_values))
    values = np.unique(np.concatenate([np.empty(0), *(table[1] for table in tables)]))
    width = max(len(values), 1)
    keys = [group * width + np.searchsorted(values, value) for group, value, _ in tables]
    key, n = np.empty(0, dtype=np.int64), np.empty(0, dtype=np.int64)
    if tables:
        key, n = add_by_key(keys, [table[2] for table in tables])
    seen = _Seen(values[key % width], key // width, n, n_groups)
    found = [seen.read(np.full(n_groups, share)) for share in shares]
    counted = [list(parts) for parts in zip(*each(_count_below, found), strict=True)]
    read = []
    for place, (share, estimate) in enumerate(zip(shares, found, strict=True)):
        # The interval is put around the share itself, with the effective size of the estimate's.
        below = counted[place] if counted else []
        size = _from_patterns(below, n_groups=n_groups, level=0.95).n_effective
        with np.errstate(divide="ignore", invalid="ignore"):
            half = stats.norm.ppf(0.975) * np.sqrt(share * (1 - share) / size)
        ends = (seen.read(np.clip(share + move, 0, 1)) for move in (-half, half))
        read.append(Interval(estimate, *ends))
    return read


def ratio_over(each: Each, *, n_groups: int) -> Interval:
    """Return ratios of two sums by group; see ``clustered_ratio``.

    Parameters
    ----------
    each
        Blocks of :class:`Grouped` rows, what stands above and below the line.
    n_groups
        How many groups there are.
    """
    nothing = (np.zeros(n_groups), np.zeros(n_groups))
    above, below = add([nothing, *each(_sum_up, n_groups)])
    with np.errstate(divide="ignore", invalid="ignore"):
        ratio = above / below
        spread, n_clusters = add([nothing, *each(_spread_of_ratio, ratio)])
        se_log = np.sqrt(spread * n_clusters / (n_clusters - 1)) / above
        # With two or three clusters t is so wide that the limits mean nothing long before here.
        width = np.minimum(stats.t.ppf(0.975, n_clusters - 1) * se_log, WIDEST_LOG)
        return Interval(ratio, ratio * np.exp(-width), ratio * np.exp(width))


@dataclass(frozen=True, eq=False)
class _Seen:
    """How often each value was seen, sorted by group, then value."""

    value: Floats
    group: Ints
    n: Ints
    n_groups: int

    def read(self, share: Floats) -> Floats:
        """Return, by group, the smallest value at or below which at least a share lies."""
        n = np.bincount(self.group, weights=self.n, minlength=self.n_groups).astype(np.int64)
        first = np.concatenate([[0], np.cumsum(n)[:-1]])
        place = np.maximum(np.ceil(np.nan_to_num(share) * n - 1e-9).astype(np.int64) - 1, 0)
        found = np.full(self.n_groups, np.nan)
        some = n > 0
        at = (first + np.minimum(place, np.maximum(n - 1, 0)))[some]
        found[some] = self.value[np.searchsorted(np.cumsum(self.n), at, side="right")]
        return found


def _pair_up(rows: Grouped) -> tuple[Ints, Ints]:
    """Return the group of each (group, cluster) pair, and the pair of each row."""
    width = int(rows.cluster.max(initial=0)) + 1
    pairs, of_row = distinct(rows.group * width + rows.cluster)
    return pairs // width, of_row


def count_yes(rows: Grouped) -> Ints:
    """Return group, rows, rows that are a yes (1, not 0), and how many clusters are so; (4, k)."""
    return _count_patterns(rows, rows.values[0])


def _as_they_are(patterns: Ints) -> Ints:
    return patterns


def _count_patterns(rows: Grouped, yes: Floats) -> Ints:
    owner, of_row = _pair_up(rows)
    m = np.bincount(of_row, minlength=len(owner))
    y = np.bincount(of_row, weights=yes, minlength=len(owner)).astype(np.int64)
    width = int(m.max(initial=0)) + 1
    key, place = distinct((owner * width + m) * width + y)
    alike = np.bincount(place, minlength=len(key))
    return np.stack([key // width**2, key // width % width, key % width, alike])


def _from_patterns(parts: Sequence[Ints], *, n_groups: int, level: float) -> ClusteredProportion:
    none = np.empty((4, 0), dtype=np.int64)
    group, m, y, alike = np.concatenate([none, *parts], axis=1)
    return patterned_proportion(
        np.stack([m, y]), group, alike=alike, n_groups=n_groups, level=level
    )


def _count_values(rows: Grouped) -> tuple[Ints, Floats, Ints]:
    values, place = np.unique(rows.values[0], return_inverse=True)
    width = max(len(values), 1)
    key, n = np.unique(rows.group * width + place, return_counts=True)
    return key // width, values[key % width], n


def _count_below(rows: Grouped, estimates: Sequence[Floats]) -> list[Ints]:
    value = rows.values[0]
    return [_count_patterns(rows, (value <= at[rows.group]).astype(np.float64)) for at in estimates]


def _sum_up(rows: Grouped, n_groups: int) -> tuple[Floats, Floats]:
    above, below = (
        np.bincount(rows.group, weights=values, minlength=n_groups).astype(np.float64)
        for values in rows.values
    )
    return above, below


def _spread_of_ratio(rows: Grouped, ratio: Floats) -> tuple[Floats, Floats]:
    (above, below), n_groups = rows.values, len(ratio)
    owner, of_row = _pair_up(rows)
    left = np.bincount(of_row, weights=above - ratio[rows.group] * below, minlength=len(owner))
    spread = np.bincount(owner, weights=left**2, minlength=n_groups).astype(np.float64)
    return spread, np.bincount(owner, minlength=n_groups).astype(np.float64)
