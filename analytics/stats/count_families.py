"""Families of count models as frozen constants; a new family is a new constant."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from analytics.stats import likelihoods
from analytics.stats.likelihoods import Density

Floats = NDArray[np.floating]
Moments = Callable[[Floats, Floats], tuple[Floats, Floats]]


@dataclass(frozen=True)
class CountFamily:
    """What a count model is made of.

    ``start`` gives the extra parameters to begin with from counts and their means;
    ``moments`` mean and variance from linear predictor and extra parameters. ``limit`` names
    the family that this one turns into when its only extra parameter falls without end, and
    ``fallback`` the one whose interval to show when this one cannot be fitted.
    """

    name: str
    density: Density
    start: Callable[[Floats, Floats], Floats]
    moments: Moments
    lowest: int
    fallback: str
    reference: str
    limit: str = ""
    has_likelihood: bool = True
    has_levels: bool = False


def _nothing(y: Floats, mu: Floats) -> Floats:
    return np.empty(0)


def _log_dispersion(y: Floats, mu: Floats) -> Floats:
    return np.log([np.clip(((y - mu) ** 2 / mu).mean(), 0.05, 20.0)])


def _poisson(eta: Floats, extra: Floats) -> tuple[Floats, Floats]:
    mu = np.exp(eta)
    return mu, mu


def _negative_binomial(eta: Floats, extra: Floats) -> tuple[Floats, Floats]:
    mu = np.exp(eta)
    return mu, mu + np.exp(extra[0]) * mu**2


def _generalised(eta: Floats, extra: Floats) -> tuple[Floats, Floats]:
    mu = np.exp(eta)
    return mu, mu * np.exp(extra[0])


def _conway(eta: Floats, extra: Floats) -> tuple[Floats, Floats]:
    moments = likelihoods.conway_solution(eta, float(np.exp(extra[0])))[1]
    return moments[1], moments[2]


def _by_level(eta: Floats, extra: Floats) -> tuple[Floats, Floats]:
    """Mean and variance of the level's position 0, 1, ...; see `count_fits` for the values."""
    position = np.arange(extra.size + 1.0)
    chance = level_chances(eta, extra)
    mean = chance @ position
    return mean, chance @ position**2 - mean**2


def level_chances(eta: Floats, extra: Floats) -> Floats:
    """Chance of each level under proportional odds, rows by levels."""
    chance = [
        np.exp(likelihoods.ordinal(np.full(eta.size, float(k)), eta, extra)[0])
        for k in range(extra.size + 1)
    ]
    return np.stack(chance, axis=1)


def _from_one(base: Moments, density: Density) -> Moments:
    def moments(eta: Floats, extra: Floats) -> tuple[Floats, Floats]:
        mu, variance = base(eta, extra)
        positive = -np.expm1(density(np.zeros(eta.size), eta, extra)[0])
        mean = mu / positive
        return mean, (variance + mu**2) / positive - mean**2

    return moments


def _truncated(base: CountFamily, name: str, limit: str, reference: str) -> CountFamily:
    return CountFamily(
        name=name,
        density=likelihoods.zero_truncated(base.density),
        start=base.start,
        moments=_from_one(base.moments, base.density),
        lowest=1,
        fallback=base.fallback,
        reference=reference,
        limit=limit,
    )


QUASI = "quasi_poisson"
POISSON = CountFamily(
    "poisson", likelihoods.poisson, _nothing, _poisson, 0, QUASI, "McCullagh & Nelder 1989, ch. 6"
)
QUASI_POISSON = CountFamily(
    QUASI, likelihoods.poisson, _nothing, _poisson, 0, QUASI,
    "Wedderburn 1974, Biometrika 61:439", has_likelihood=False,
)  # fmt: skip
GENERALISED_POISSON = CountFamily(
    "generalised_poisson", likelihoods.generalised_poisson, _log_dispersion, _generalised, 0,
    QUASI, "Consul & Jain 1973, Technometrics 15:791",
)  # fmt: skip
CONWAY_MAXWELL_POISSON = CountFamily(
    "conway_maxwell_poisson", likelihoods.conway_maxwell_poisson,
    lambda y, mu: -_log_dispersion(y, mu), _conway, 0, QUASI, "Huang 2017, Stat Model 17:359",
)  # fmt: skip
NEGATIVE_BINOMIAL = CountFamily(
    "negative_binomial", likelihoods.negative_binomial,
    lambda y, mu: np.log([np.clip((((y - mu) ** 2 - mu) / mu**2).mean(), 0.01, 10.0)]),
    _negative_binomial, 0, QUASI, "Cameron & Trivedi 1998, ch. 3", limit="poisson",
)  # fmt: skip
ORDINAL = CountFamily(
    "ordinal", likelihoods.ordinal, _nothing, _by_level, 0, QUASI,
    "McCullagh 1980, J R Stat Soc B 42:109", has_levels=True,
)  # fmt: skip
ZERO_TRUNCATED_POISSON = _truncated(
    POISSON, "zero_truncated_poisson", "", "Finney & Varley 1955, Biometrics 11:387"
)
ZERO_TRUNCATED_NEGATIVE_BINOMIAL = _truncated(
    NEGATIVE_BINOMIAL, "zero_truncated_negative_binomial", "zero_truncated_poisson",
    "Cameron & Trivedi 1998, ch. 4",
)  # fmt: skip
ZERO_TRUNCATED_GENERALISED_POISSON = _truncated(
    GENERALISED_POISSON, "zero_truncated_generalised_poisson", "",
    "Consul & Jain 1973, Technometrics 15:791, given one or more",
)  # fmt: skip
ZERO_TRUNCATED_CONWAY_MAXWELL_POISSON = _truncated(
    CONWAY_MAXWELL_POISSON, "zero_truncated_conway_maxwell_poisson", "",
    "Huang 2017, Stat Model 17:359, given one or more",
)  # fmt: skip

FAMILIES = (
    POISSON,
    QUASI_POISSON,
    ZERO_TRUNCATED_POISSON,
    GENERALISED_POISSON,
    ZERO_TRUNCATED_GENERALISED_POISSON,
    CONWAY_MAXWELL_POISSON,
    ZERO_TRUNCATED_CONWAY_MAXWELL_POISSON,
    NEGATIVE_BINOMIAL,
    ZERO_TRUNCATED_NEGATIVE_BINOMIAL,
    ORDINAL,
)
BY_NAME = {family.name: family for family in FAMILIES}
