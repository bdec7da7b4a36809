"""Names, numbers and the facts of each child as a clinic would write them down."""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.random import Generator
from numpy.typing import NDArray

from synthetic_data.children import day_number
from synthetic_data.diary import REASONS
from synthetic_data.network import Network
from synthetic_data.scenario import CLINICS, CUT_OFF, DIAGNOSES, PRIORS

#: Syllables of invented names: none is taken from a list of real ones.
STARTS = ("Zar", "Quo", "Vel", "Tix", "Orb", "Nyl", "Fen", "Jup", "Kru", "Mav", "Ild", "Wob")
MIDDLES = ("a", "i", "o", "u", "ee", "ou")
ENDS = ("bix", "dorn", "lum", "mith", "nax", "pel", "quil", "rond", "sk", "tarn", "vim", "zo")


def _names(n: int, rng: Generator) -> list[str]:
    def word() -> NDArray[np.str_]:
        parts = [np.array(p)[rng.integers(len(p), size=n)] for p in (STARTS, MIDDLES, ENDS)]
        return np.char.add(np.char.add(parts[0], parts[1]), parts[2])

    return [f"{first} {last}" for first, last in zip(word(), word(), strict=True)]


def as_dates(values: NDArray[np.int64]) -> NDArray[np.str_]:
    """Return days since 1970-01-01 as ISO texts."""
    return np.datetime_as_string(values.astype("datetime64[D]"))


def _some_missing(values: NDArray, share: float, rng: Generator) -> NDArray[np.object_]:
    out = values.astype(object)
    out[rng.random(values.size) < share] = None
    return out


def describe_children(network: Network, *, rng: Generator) -> pd.DataFrame:
    """Return one row a child: what its register page says.

    Telephone numbers begin with +999, a country code that nobody has.
    """
    children, diary, n = network.children, network.diary, network.children.clinic.size
    kind = np.array([c.export for c in CLINICS])[children.clinic]
    order = np.lexsort((np.arange(n), children.enrolled))
    number = np.zeros(n, dtype=np.int64)
    for group in _number_groups(kind, children.clinic):
        mine = order[np.isin(order, group)]
        number[mine] = np.arange(1, mine.size + 1)
    reason = np.array(REASONS)[diary.reason]
    left = diary.last_day + (reason != "completed")
    stated = np.isin(reason, ("died", "moved_away", "declined", "completed"))
    stated &= left <= day_number(CUT_OFF)
    family = np.where(children.family, "yes", "no")
    return pd.DataFrame(
        {
            "export": kind,
            "id": [f"S{k:04d}" if e == "long" else f"{k:03d}" for k, e in zip(number, kind,
                                                                             strict=True)],
            "name": _names(n, rng),
            "phone": [f"+999 55 01{k:02d} {j:03d}" for k, j in zip(rng.integers(100, size=n),
                                                                   rng.integers(1000, size=n),
                                                                   strict=True)],
            "clinic": np.array([c.code for c in CLINICS])[children.clinic],
            "sex": _some_missing(np.where(children.male, "male", "female"), 0.004, rng),
            "birth_on": _some_missing(as_dates(children.enrolled - children.age_days), 0.015, rng),
            "enrolled_on": as_dates(children.enrolled),
            "diagnosis": np.array(DIAGNOSES)[children.diagnosis],
            "prior_treatment": np.array(PRIORS)[children.prior],
            "family_history": _some_missing(family, 0.08, rng),
            "travel_minutes": _some_missing(children.travel_minutes, 0.04, rng),
            "left_on": np.where(stated, as_dates(left), ""),
            "why": np.where(stated, reason, ""),
        }
    )  # fmt: skip


def _number_groups(kind: NDArray, clinic: NDArray[np.int64]) -> list[NDArray[np.int64]]:
    """Return the children numbered together: one register, or one clinic with its own numbers."""
    wide = [np.flatnonzero(clinic == c) for c in np.unique(clinic[kind == "wide"])]
    return [np.flatnonzero(kind == "long"), *wide]


def describe_feet(network: Network, *, rng: Generator) -> pd.DataFrame:
    """Return one row a foot: side and whether it is atypical."""
    feet = network.feet
    atypical = np.where(feet.atypical, "yes", "no")
    return pd.DataFrame(
        {
            "child": feet.child,
            "side": np.where(feet.right, "right", "left"),
            "atypical": _some_missing(atypical, 0.02, rng),
        }
    )
