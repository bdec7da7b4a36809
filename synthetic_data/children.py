"""Draw the children and their feet as they come to the clinics."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.random import Generator
from numpy.typing import NDArray

from synthetic_data.scenario import CUT_OFF, Clinic, Effects

#: Thresholds on the severity scale above which a sign is moderate and severe.
MODERATE, SEVERE = -2.0, -0.2

#: Shares of children by age at first contact, and the youngest and oldest days of each class.
AGES = ((0.46, 5, 45), (0.27, 46, 180), (0.13, 181, 364), (0.14, 365, 1050))


@dataclass(frozen=True)
class Children:
    """Arrays with one entry a child; days count from 1970-01-01."""

    clinic: NDArray[np.int64]
    enrolled: NDArray[np.int64]
    age_days: NDArray[np.int64]
    male: NDArray[np.bool_]
    bilateral: NDArray[np.bool_]
    right: NDArray[np.bool_]
    diagnosis: NDArray[np.int64]
    prior: NDArray[np.int64]
    family: NDArray[np.bool_]
    travel_minutes: NDArray[np.int64]
    adherence: NDArray[np.int64]
    severity: NDArray[np.float64]
    frailty: NDArray[np.float64]


@dataclass(frozen=True)
class Feet:
    """Arrays with one entry a foot; ``child`` points into the children."""

    child: NDArray[np.int64]
    right: NDArray[np.bool_]
    signs: NDArray[np.float64]
    atypical: NDArray[np.bool_]

    @property
    def midfoot(self) -> NDArray[np.float64]:
        """Return the midfoot part of the score at the start."""
        return self.signs[:, :3].sum(axis=1)

    @property
    def hindfoot(self) -> NDArray[np.float64]:
        """Return the hindfoot part of the score at the start."""
        return self.signs[:, 3:].sum(axis=1)

    @property
    def pirani(self) -> NDArray[np.float64]:
        """Return the total score at the start."""
        return self.signs.sum(axis=1)


def day_number(day: object) -> int:
    """Return days since 1970-01-01."""
    return int(np.datetime64(day, "D").astype(np.int64))


def _pick(shares: tuple[float, ...], n: int, rng: Generator) -> NDArray[np.int64]:
    return np.searchsorted(np.cumsum(shares)[:-1], rng.random(n), side="right")


def _draw_ages(n: int, rng: Generator) -> NDArray[np.int64]:
    group = _pick(tuple(a[0] for a in AGES), n, rng)
    low = np.array([a[1] for a in AGES])[group]
    high = np.array([a[2] for a in AGES])[group]
    return low + np.floor(rng.random(n) * (high - low + 1)).astype(np.int64)


def draw_children(
    clinic: Clinic, *, index: int, n: int, effects: Effects, rng: Generator
) -> Children:
    """Return the children whom one clinic enrols between its opening and the cut-off."""
    opened = day_number(clinic.opened_on)
    span = day_number(CUT_OFF) - opened - 3
    # A power below one makes a clinic grow: more come later.
    elapsed = np.floor(span * rng.random(n) ** 0.8).astype(np.int64)
    far = rng.random(n) < clinic.far
    minutes = np.where(far, 125 + 175 * rng.random(n), 15 + 105 * rng.random(n))
    variance = effects.frailty_variance
    return Children(
        clinic=np.full(n, index, dtype=np.int64),
        enrolled=opened + elapsed,
        age_days=_draw_ages(n, rng),
        male=rng.random(n) < effects.share_male,
        bilateral=rng.random(n) < effects.share_bilateral,
        right=rng.random(n) < effects.share_right,
        diagnosis=_pick(effects.share_diagnosis, n, rng),
        prior=_pick(effects.share_prior, n, rng),
        family=rng.random(n) < effects.share_family,
        travel_minutes=(5 * np.round(minutes / 5)).astype(np.int64),
        adherence=_pick(effects.share_adherence, n, rng),
        severity=clinic.severity + effects.sd_severity_child * rng.standard_normal(n),
        frailty=rng.gamma(1 / variance, variance, n),
    )


def draw_feet(children: Children, *, effects: Effects, rng: Generator) -> Feet:
    """Return the affected feet with the six signs found at the first assessment."""
    repeats = 1 + children.bilateral.astype(np.int64)
    child = np.repeat(np.arange(repeats.size), repeats)
    first = np.concatenate([[True], child[1:] != child[:-1]])
    right = np.where(children.bilateral[child], ~first, children.right[child])
    n = child.size
    severity = children.severity[child] + effects.sd_severity_foot * rng.standard_normal(n)
    shown = severity[:, None] + 0.8 * rng.standard_normal((n, 6))
    signs = 0.5 * (shown > MODERATE) + 0.5 * (shown > SEVERE)
    mild = signs.sum(axis=1) < 1.5
    signs[mild] = np.maximum(signs[mild], np.array([0.5, 0.0, 0.5, 0.5, 0.0, 0.5]))
    return Feet(child, right, signs, rng.random(n) < effects.share_atypical)


def join(parts: list) -> object:
    """Return one set of arrays from the sets of several clinics."""
    kind = type(parts[0])
    names = kind.__dataclass_fields__
    return kind(**{f: np.concatenate([getattr(part, f) for part in parts]) for f in names})
