"""Missing values: what is missing together, chained imputation, and Rubin's rules."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.random import Generator
from numpy.typing import ArrayLike, NDArray
from scipy import stats

from analytics.errors import NotEstimableError
from analytics.stats.proportions import Floats, Interval

FEWEST_OBSERVED = 10  # rows with a value below which a column is not imputed
N_DONORS = 5  # rows of which one lends its value: van Buuren 2018, section 3.4.3
RIDGE = 1e-5  # of the sum of squares: van Buuren 2018, algorithm 3.1


def missing_patterns(frame: pd.DataFrame) -> pd.DataFrame:
    """Which columns are missing together, most frequent pattern first.

    Returns
    -------
    pandas.DataFrame
        The columns of ``frame`` as booleans (True where missing), then n_missing_columns and
        n_rows; n_rows adds up to the rows of ``frame``.
    """
    absent = frame.isna()
    columns = list(absent.columns)
    counts = absent.groupby(columns, sort=False).size().rename("n_rows").reset_index()
    counts.insert(len(columns), "n_missing_columns", counts[columns].sum(axis=1))
    return counts.sort_values(
        ["n_rows", "n_missing_columns"], ascending=[False, True], ignore_index=True
    )


def mean_of_others(values: ArrayLike, cluster: ArrayLike) -> Floats:
    """Mean of the known values of the other rows of each row's cluster.

    Parameters
    ----------
    values
        Float per row, NaN where missing.
    cluster
        Label per row.

    Returns
    -------
    array
        One per row; the mean of all known values where no other row of the cluster has one.
        Added to an imputation it carries the likeness of rows that share a cluster.
    """
    x = np.asarray(values, float)
    code, _ = pd.factorize(pd.Series(cluster))
    known = np.isfinite(x)
    total, n = np.bincount(code, np.where(known, x, 0.0)), np.bincount(code, known)
    others = n[code] - known
    with np.errstate(invalid="ignore", divide="ignore"):
        mean = (total[code] - np.where(known, x, 0.0)) / others
    return np.where(others > 0, mean, x[known].mean() if known.any() else np.nan)


def impute(
    frame: pd.DataFrame, *, n_imputations: int, rng: Generator, n_cycles: int = 10
) -> list[pd.DataFrame]:
    """Complete copies of a frame by chained equations with predictive mean matching.

    Parameters
    ----------
    frame
        Numeric columns: those with missing values, and all that the analysis will use,
        the outcome among them; categories as 0/1 columns. Dates of events do not belong here.
    n_imputations
        Copies wanted.
    rng
        Source of randomness; the same generator gives the same copies.
    n_cycles
        Rounds over all columns before each copy is taken.

    Returns
    -------
    list of pandas.DataFrame
        Same rows, order, index and columns as ``frame``, as floats.

    Raises
    ------
    NotEstimableError
        ``too_few_observed`` for a column with fewer than 10 values, ``constant_column`` for a
        column with missing values that has one value only.

    Notes
    -----
    Each column with gaps in turn, fewest first, is regressed on all others; the coefficients are
    drawn from their posterior, and each gap takes the value of one of the five rows whose predicted
    values lie nearest to its own: van Buuren 2018, Flexible Imputation of Missing Data, algorithms
    3.1, 3.3 (type 1 matching) and 4.3. Differs from statsmodels' MICEData, which draws from twenty
    donors, parses a formula for every column and round, and so takes some hundred times as long.
    """
    numbers = frame.astype("float64")
    absent = numbers.isna().to_numpy()
    for name in numbers.columns[absent.any(axis=0)]:
        _check_column(str(name), numbers[name].dropna())
    values = numbers.to_numpy(copy=True)
    gaps = [j for j in np.argsort(absent.sum(axis=0), kind="stable") if absent[:, j].any()]
    for j in gaps:
        known = values[~absent[:, j], j]
        values[absent[:, j], j] = rng.choice(known, size=int(absent[:, j].sum()))
    copies = []
    for _ in range(n_imputations):
        for _ in range(n_cycles):
            for j in gaps:
                _match(values, absent[:, j], j, rng)
        copies.append(pd.DataFrame(values.copy(), index=numbers.index, columns=numbers.columns))
    return copies


def _match(values: Floats, gap: NDArray[np.bool_], column: int, rng: Generator) -> None:
    """Fill the gaps of one column in place from the rows nearest by predicted value."""
    others = np.delete(values, column, axis=1)
    centre = others.mean(axis=0)
    spread = others.std(axis=0)
    x = np.column_stack([np.ones(len(values)), (others - centre) / np.where(spread > 0, spread, 1)])
    seen, y = x[~gap], values[~gap, column]
    inner = seen.T @ seen
    # A slight pull towards nought keeps columns that nearly repeat each other apart.
    inverse = np.linalg.inv(inner + RIDGE * np.diag(np.diag(inner) + 1))
    beta = inverse @ (seen.T @ y)
    rest = y - seen @ beta
    degrees = max(y.size - x.shape[1], 1)
    sigma = np.sqrt(float(rest @ rest) / rng.chisquare(degrees))
    drawn = beta + sigma * np.linalg.cholesky(inverse) @ rng.standard_normal(beta.size)
    values[gap, column] = y[_nearest(seen @ beta, x[gap] @ drawn, rng)]


def _nearest(known: Floats, wanted: Floats, rng: Generator) -> NDArray[np.int64]:
    """Positions in ``known`` of one of the nearest for each wanted, drawn at random."""
    n = min(N_DONORS, known.size)
    order = np.argsort(known, kind="stable")
    place = np.searchsorted(known[order], wanted)
    window = np.clip(place[:, None] + np.arange(-n, n), 0, known.size - 1)
    far = np.abs(known[order][window] - wanted[:, None])
    # A row that the window holds twice, at an end, counts once.
    far[:, 1:][window[:, 1:] == window[:, :-1]] = np.inf
    closest = np.argsort(far, axis=1, kind="stable")[:, :n]
    chosen = closest[np.arange(len(wanted)), rng.integers(n, size=len(wanted))]
    return order[window[np.arange(len(wanted)), chosen]]


def _check_column(name: str, known: pd.Series) -> None:
    if known.size < FEWEST_OBSERVED:
        raise NotEstimableError("too_few_observed", column=name, n_observed=int(known.size))
    if known.nunique() == 1:
        raise NotEstimableError("constant_column", column=name, n_observed=int(known.size))


@dataclass(frozen=True)
class Combined:
    """Estimates of m imputations as one.

    ``degrees`` is Barnard and Rubin's; ``missing_share`` the share of the variance that the
    missing values are responsible for.
    """

    estimate: Floats
    covariance: Floats
    degrees: Floats
    missing_share: Floats


def combine(
    estimates: Sequence[ArrayLike], covariances: Sequence[ArrayLike], *, degrees: float
) -> Combined:
    """Rubin's rules on estimates with any covariance, clustered ones included.

    Parameters
    ----------
    estimates, covariances
        One vector (p) and one matrix (p by p) per imputation.
    degrees
        Degrees of freedom that complete data would have had (clusters less coefficients).

    Raises
    ------
    NotEstimableError
        ``too_few_imputations`` below two.

    Notes
    -----
    Rubin 1987, chapter 3; degrees of freedom Barnard & Rubin 1999, Biometrika 86:948.
    """
    q, u = (
        np.stack([np.asarray(part, float) for part in estimates]),
        np.stack([np.asarray(part, float) for part in covariances]),
    )
    m = q.shape[0]
    if m < 2:
        raise NotEstimableError("too_few_imputations", n_imputations=m)
    between = np.atleast_2d(np.cov(q.T))
    total = u.mean(axis=0) + (1 + 1 / m) * between
    share = (1 + 1 / m) * np.diag(between) / np.diag(total)
    observed = (degrees + 1) / (degrees + 3) * degrees * (1 - share)
    with np.errstate(divide="ignore"):
        old = (m - 1) / share**2
    return Combined(q.mean(axis=0), total, 1 / (1 / old + 1 / observed), share)


def combined_interval(combined: Combined, *, level: float = 0.95) -> Interval:
    """Limits from t on each coefficient's own degrees of freedom."""
    half = stats.t.ppf((1 + level) / 2, combined.degrees) * np.sqrt(np.diag(combined.covariance))
    centre = combined.estimate
    return Interval(centre, centre - half, centre + half)
