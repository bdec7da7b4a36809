"""Distributions of log time, as frozen sets of functions; a new one is a new constant."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from scipy import special

Curve = Callable[[np.ndarray], np.ndarray]

# exp() of more than this would overflow; survival is 0 long before.
LARGEST_EXPONENT = 700.0


@dataclass(frozen=True, slots=True)
class LifetimeFamily:
    """The distribution of z in ``log(time) = predictor + scale * z``.

    Parameters
    ----------
    name
        Of the distribution of time.
    survival, density, bend
        S(z), f(z) and the derivative f'(z).
    log_density, lean, curl
        log f(z) and its first and second derivative.
    has_scale
        False where the scale is 1 and not estimated.
    """

    name: str
    survival: Curve
    density: Curve
    bend: Curve
    log_density: Curve
    lean: Curve
    curl: Curve
    has_scale: bool = True


def _exp(z: np.ndarray) -> np.ndarray:
    return np.exp(np.minimum(z, LARGEST_EXPONENT))


def _smallest_density(z: np.ndarray) -> np.ndarray:
    return np.exp(np.minimum(z, LARGEST_EXPONENT) - _exp(z))


def _logistic_density(z: np.ndarray) -> np.ndarray:
    return special.expit(z) * special.expit(-z)


def _normal_density(z: np.ndarray) -> np.ndarray:
    return np.exp(-(z**2) / 2) / np.sqrt(2 * np.pi)


WEIBULL = LifetimeFamily(
    name="weibull",
    survival=lambda z: np.exp(-_exp(z)),
    density=_smallest_density,
    bend=lambda z: _smallest_density(z) * (1 - _exp(z)),
    log_density=lambda z: z - _exp(z),
    lean=lambda z: 1 - _exp(z),
    curl=lambda z: -_exp(z),
)
EXPONENTIAL = LifetimeFamily(
    name="exponential",
    survival=WEIBULL.survival,
    density=WEIBULL.density,
    bend=WEIBULL.bend,
    log_density=WEIBULL.log_density,
    lean=WEIBULL.lean,
    curl=WEIBULL.curl,
    has_scale=False,
)
LOG_LOGISTIC = LifetimeFamily(
    name="log-logistic",
    survival=lambda z: special.expit(-z),
    density=_logistic_density,
    bend=lambda z: _logistic_density(z) * (special.expit(-z) - special.expit(z)),
    log_density=lambda z: special.log_expit(z) + special.log_expit(-z),
    lean=lambda z: special.expit(-z) - special.expit(z),
    curl=lambda z: -2 * _logistic_density(z),
)
LOG_NORMAL = LifetimeFamily(
    name="log-normal",
    survival=lambda z: special.ndtr(-z),
    density=_normal_density,
    bend=lambda z: -z * _normal_density(z),
    log_density=lambda z: -(z**2) / 2 - np.log(2 * np.pi) / 2,
    lean=lambda z: -z,
    curl=lambda z: -np.ones_like(z),
)
