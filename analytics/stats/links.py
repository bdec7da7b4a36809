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


LOG_LINEAR = Mean("log-linear", np.log, np.exp, lambda eta, mu: mu, lambda mu: mu, np.inf)
LOGISTIC = Mean(
    "logistic",
    special.logit,
    special.expit,
    lambda eta, mu: mu * (1 - mu),
    lambda mu: mu * (1 - mu),
    1.0,
)
COMPLEMENTARY_LOG_LOG = Mean(
    "complementary log-log",
    lambda mu: np.log(-np.log1p(-mu)),
    lambda eta: -np.expm1(-np.exp(eta)),
    lambda eta, mu: np.exp(eta - np.exp(eta)),
    lambda mu: mu * (1 - mu),
    1.0,
)
