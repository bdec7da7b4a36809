"""What a coefficient would be had its column been measured without error."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.random import Generator
from numpy.typing import ArrayLike

from analytics.errors import NotEstimableError
from analytics.stats.proportions import Floats

Estimator = Callable[[Floats], tuple[Floats, Floats]]


@dataclass(frozen=True)
class MeasurementError:
    """Independent normal error in one design column.

    ``sd`` is in the unit of the column; ``multiples`` are the amounts of further error
    variance added, in units of sd^2, each ``repeats`` times.
    """

    column: int
    sd: float
    multiples: tuple[float, ...] = (0.5, 1.0, 1.5, 2.0)
    repeats: int = 100


@dataclass(frozen=True)
class Extrapolation:
    """Coefficients carried back to no error, beside the ``naive`` ones.

    ``path`` has one line per multiple (0 first): multiple, coefficient of the column.
    """

    coefficients: Floats
    covariance: Floats
    naive: Floats
    path: pd.DataFrame


def error_sd(values: ArrayLike, *, reliability: float) -> float:
    """Standard deviation of the error in ``values`` that have the given reliability.

    Reliability is the share of the observed variance that is true, as an intraclass or
    between-rater correlation estimates it; error variance = (1 - reliability) variance.
    """
    if not 0 < reliability <= 1:
        raise NotEstimableError("reliability_out_of_range", reliability=reliability)
    return float(np.std(np.asarray(values, float), ddof=1) * np.sqrt(1 - reliability))


def extrapolate_error(
    estimate: Estimator, design: ArrayLike, *, error: MeasurementError, rng: Generator
) -> Extrapolation:
    """Simulation-extrapolation: add error on purpose, then follow the trend back to none.

    Parameters
    ----------
    estimate
        From a design (rows by p) to its coefficients (p) and their covariance (p by p).
    design
        The design as measured.
    error
        Which column, how large, how much more to add and how often.
    rng
        Source of the added error.

    Returns
    -------
    Extrapolation
        Quadratic extrapolation of coefficients; covariance by extrapolating the mean model
        covariance less the covariance between repeats.

    Notes
    -----
    Cook & Stefanski 1994, J Am Stat Assoc 89:1314; variance Stefanski & Cook 1995, 90:1247.
    The quadratic is known to correct too little when reliability is low. Exact only as far
    as the error is normal, independent of all else and of the size given.
    """
    x = np.asarray(design, float)
    naive, covariance = estimate(x)
    multiples = np.r_[0.0, error.multiples]
    means, spreads = [naive], [covariance]
    for multiple in error.multiples:
        mean, spread = _repeat(estimate, x, error, np.sqrt(multiple) * error.sd, rng)
        means.append(mean)
        spreads.append(spread)
    back = _weights_at_no_error(multiples)
    coefficients = back @ np.stack(means)
    path = pd.DataFrame({"multiple": multiples, "coefficient": np.stack(means)[:, error.column]})
    return Extrapolation(coefficients, np.tensordot(back, np.stack(spreads), 1), naive, path)


def _repeat(
    estimate: Estimator, x: Floats, error: MeasurementError, sd: float, rng: Generator
) -> tuple[Floats, Floats]:
    found, trusted = [], []
    for _ in range(error.repeats):
        noisy = x.copy()
        noisy[:, error.column] += rng.normal(0.0, sd, x.shape[0])
        coefficients, covariance = estimate(noisy)
        found.append(coefficients)
        trusted.append(covariance)
    return np.mean(found, axis=0), np.mean(trusted, axis=0) - np.cov(np.stack(found).T)


def _weights_at_no_error(multiples: Floats) -> Floats:
    """Weights that carry a least-squares quadratic in the multiples to -1."""
    curve = np.vander(multiples, 3)
    return np.array([1.0, -1.0, 1.0]) @ np.linalg.pinv(curve)
