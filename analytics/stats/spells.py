"""Rows at risk on (entry, time]: checked once here, then trusted by every survival function."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike
from scipy import stats as distributions

from analytics.errors import NotEstimableError
from analytics.stats.distinct import distinct

# With fewer clusters than this the sandwich is known to be too narrow under a normal quantile:
# common practice of the trade (rules of thumb lie between 30 and 50), not a derived constant.
FEW_CLUSTERS = 40


@dataclass(frozen=True, slots=True, eq=False)
class Spells:
    """Checked rows; make one with :func:`as_spells`.

    Parameters
    ----------
    time
        (n,) end of each row, any unit of time; equal numbers are ties.
    event
        (n,) integer code of what ended the row: 0 nothing (censored), 1, 2, ... a cause.
    entry
        (n,) start of each row, which is at risk on (entry, time]; ``None`` means from the origin.
    cluster
        (n,) integer codes of the cluster, 0 up to ``n_clusters - 1``; ``None`` means every row
        stands alone.
    weights
        (n,) positive weights; ``None`` means one each.
    """

    time: np.ndarray
    event: np.ndarray
    entry: np.ndarray | None
    cluster: np.ndarray | None
    weights: np.ndarray | None

    @property
    def n_clusters(self) -> int:
        """Number of clusters, or of rows when there are no clusters."""
        return len(self.time) if self.cluster is None else int(self.cluster.max()) + 1

    @property
    def units(self) -> np.ndarray:
        """Cluster of each row; the row itself where there are no clusters."""
        return np.arange(len(self.time)) if self.cluster is None else self.cluster


def as_spells(
    time: ArrayLike,
    event: ArrayLike,
    *,
    entry: ArrayLike | None = None,
    cluster: ArrayLike | None = None,
    weights: ArrayLike | None = None,
) -> Spells:
    """Check survival rows and return them as arrays of equal length.

    Parameters
    ----------
    time, event, entry, cluster, weights
        As in :class:`Spells`; missing values are refused, never dropped. ``cluster`` may hold
        any hashable labels.

    Returns
    -------
    Spells
        Rows in the order given.

    Raises
    ------
    NotEstimableError
        ``no_rows``, ``lengths_differ``, ``missing_values``, ``time_not_positive``,
        ``entry_not_before_time``, ``event_not_a_code``, ``weights_not_positive``,
        ``one_cluster``.
    """
    ends = as_numbers(time, "time")
    if not len(ends):
        raise NotEstimableError("no_rows", n_rows=0)
    begun = None if entry is None else as_numbers(entry, "entry", n=len(ends))
    _check_times(ends, begun)
    weighed = None if weights is None else as_numbers(weights, "weights", n=len(ends))
    if weighed is not None and (weighed <= 0).any():
        bad = int((weighed <= 0).sum())
        raise NotEstimableError("weights_not_positive", n_rows=bad)
    return Spells(
        time=ends,
        event=_as_causes(event, n=len(ends)),
        entry=begun,
        cluster=None if cluster is None else as_clusters(cluster, n=len(ends)),
        weights=weighed,
    )


def as_numbers(values: ArrayLike, name: str, *, n: int | None = None) -> np.ndarray:
    """Return finite floats, refusing what is missing, infinite or of another length."""
    numbers = pd.Series(values).to_numpy(dtype=float, na_value=np.nan)
    if n is not None and len(numbers) != n:
        raise NotEstimableError("lengths_differ", column=name, expected=n, found=len(numbers))
    bad = int((~np.isfinite(numbers)).sum())
    if bad:
        raise NotEstimableError("missing_values", column=name, n_missing=bad)
    return numbers


def as_clusters(labels: ArrayLike, *, n: int) -> np.ndarray:
    """Return codes 0, 1, ... of the sorted labels; at least two clusters are needed."""
    column = pd.Series(labels)
    if isinstance(column.dtype, np.dtype) and column.dtype.kind in "iu":
        names, codes = distinct(column.to_numpy())
    else:
        codes, names = pd.factorize(column, sort=True)
    if len(codes) != n:
        raise NotEstimableError("lengths_differ", column="cluster", expected=n, found=len(codes))
    if (codes < 0).any():
        missing = int((codes < 0).sum())
        raise NotEstimableError("missing_values", column="cluster", n_missing=missing)
    if len(names) < 2:
        raise NotEstimableError("one_cluster", n_clusters=len(names), n_rows=n)
    return codes.astype(np.int64)


def as_design(
    covariates: pd.DataFrame | ArrayLike, *, n: int
) -> tuple[np.ndarray, tuple[str, ...]]:
    """Return an (n, p) matrix of finite numbers and the names of its columns."""
    if isinstance(covariates, pd.DataFrame):
        names = tuple(str(name) for name in covariates.columns)
        columns = [covariates.iloc[:, j] for j in range(len(names))]
    else:
        values = np.asarray(covariates)
        values = values[:, None] if values.ndim == 1 else values
        names = tuple(f"x{j + 1}" for j in range(values.shape[1]))
        columns = list(values.T)
    if not names:
        raise NotEstimableError("no_covariates", n_rows=n)
    checked = [as_numbers(column, name, n=n) for column, name in zip(columns, names, strict=True)]
    # Each column in one piece of memory: they are read one by one.
    return np.stack(checked).T, names


def critical_value(conf_level: float, spells: Spells) -> float:
    """Two-sided quantile: normal, or Student's t where the clusters are few."""
    return two_sided(conf_level, None if spells.cluster is None else spells.n_clusters)


def two_sided(conf_level: float, n_clusters: int | None) -> float:
    """Two-sided quantile for so many clusters; ``None``: rows that stand alone."""
    if not 0 < conf_level < 1:
        raise NotEstimableError("conf_level_outside_0_1", conf_level=conf_level)
    upper = (1 + conf_level) / 2
    if n_clusters is not None and n_clusters < FEW_CLUSTERS:
        return float(distributions.t.ppf(upper, n_clusters - 1))
    return float(distributions.norm.ppf(upper))


def has_few_clusters(spells: Spells) -> bool:
    """Say whether the clusters are too few for a normal quantile."""
    return spells.cluster is not None and spells.n_clusters < FEW_CLUSTERS


def require_single_cause(spells: Spells) -> None:
    """Refuse codes above 1 where only an event and its absence have a meaning."""
    n_other = int((spells.event > 1).sum())
    if n_other:
        raise NotEstimableError("event_not_zero_or_one", n_rows=n_other)


def require_events(spells: Spells) -> None:
    """Refuse rows of which none ended by the event of code 1."""
    if not (spells.event == 1).any():
        raise NotEstimableError("no_events", n_rows=len(spells.time), n_events=0)


def as_strata(strata: ArrayLike, *, n: int) -> np.ndarray | None:
    """Return codes of the strata, ``None`` where there is only one."""
    if len(pd.unique(pd.Series(strata))) == 1:
        return None
    return as_clusters(strata, n=n)


def _check_times(time: np.ndarray, entry: np.ndarray | None) -> None:
    if entry is None:
        bad = int((time <= 0).sum())
        if bad:
            raise NotEstimableError("time_not_positive", n_rows=bad, smallest=float(time.min()))
        return
    bad = int((entry >= time).sum())
    if bad:
        raise NotEstimableError("entry_not_before_time", n_rows=bad)


def _as_causes(event: ArrayLike, *, n: int) -> np.ndarray:
    codes = np.asarray(event) if isinstance(event, np.ndarray) else None
    if codes is None or codes.dtype.kind not in "biu" or len(codes) != n:
        codes = as_numbers(event, "event", n=n)
    elif codes.dtype.kind == "b":
        return codes.astype(np.int64)
    bad = int((codes < 0).sum())
    if codes.dtype.kind == "f":
        bad += int((codes != np.floor(codes))[codes >= 0].sum())
    if bad:
        raise NotEstimableError("event_not_a_code", n_rows=bad)
    return codes.astype(np.int64)
