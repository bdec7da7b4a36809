"""Links from a linear predictor to a mean, with the variance that goes with the mean."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from scipy import special

from analytics.stats.proportions import Floats


@dataclass(frozen=True)
class Mean:
    """A link and a variance function of the mean.

    ``inverse`` takes the linear predictor, ``slope`` (of the mean by the predictor) takes the
    predictor and the mean already found. ``highest`` is the largest outcome that can be observed.
    """

    name: str
    link: Callable[[Floats], Floats]
    inverse: Callable[[Floats], Floats]
    slope: Callable[[Floats, Floats], Floats]
    variance: Callable[[Floats], Floats]
    highest: float


# Functions with a name, so that a mean can be sent to another process.
def _mean_itself(eta: Floats, mu: Floats) -> Floats:
    return mu


def _poisson(mu: Floats) -> Floats:
    return mu


def _logistic_slope(eta: Floats, mu: Floats) -> Floats:
    return mu * (1 - mu)


def _binomial(mu: Floats) -> Floats:
    return mu * (1 - mu)


def _log_minus_log(mu: Floats) -> Floats:
    return np.log(-np.log1p(-mu))


def _from_log_minus_log(eta: Floats) -> Floats:
    return -np.expm1(-np.exp(eta))


def _log_log_slope(eta: Floats, mu: Floats) -> Floats:
    return np.exp(eta - np.exp(eta))


LOG_LINEAR = Mean("log-linear", np.log, np.exp, _mean_itself, _poisson, np.inf)
LOGISTIC = Mean("logistic", special.logit, special.expit, _logistic_slope, _binomial, 1.0)
COMPLEMENTARY_LOG_LOG = Mean(
    "complementary log-log", _log_minus_log, _from_log_minus_log, _log_log_slope, _binomial, 1.0
)
