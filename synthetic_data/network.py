"""The whole network in one call: the demo, and the large networks that truth is computed from."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from synthetic_data.children import Children, Feet, draw_children, draw_feet, join
from synthetic_data.diary import Diary, write_diary
from synthetic_data.outcomes import (
    Casting,
    Leaving,
    draw_casting,
    draw_leaving,
    draw_relapse,
)
from synthetic_data.scenario import CLINICS, Effects


@dataclass(frozen=True)
class Network:
    """Children, their feet and what happens to them."""

    children: Children
    feet: Feet
    casting: Casting
    leaving: Leaving
    diary: Diary


def simulate(*, seed: int, effects: Effects, times: int = 1) -> Network:
    """Return a network; each clinic has a stream of random numbers of its own.

    Parameters
    ----------
    seed
        Seed of the whole.
    times
        How many times larger than the demo every clinic is.
    """
    people, feet, casting, leaving, diary = [], [], [], [], []
    n_before = 0
    for index, clinic in enumerate(CLINICS):
        rng = np.random.default_rng([seed, clinic.stream])
        n = clinic.n_children * times
        one = draw_children(clinic, index=index, n=n, effects=effects, rng=rng)
        soles = draw_feet(one, effects=effects, rng=rng)
        casts = draw_casting(one, soles, effects=effects, rng=rng)
        exits = draw_leaving(one, effects=effects, rng=rng)
        relapse = draw_relapse(one, soles, exits, effects=effects, rng=rng)
        days = write_diary(one, soles, casts, exits, relapse, effects=effects, rng=rng)
        people.append(one)
        casting.append(casts)
        leaving.append(exits)
        diary.append(days)
        feet.append(Feet(soles.child + n_before, soles.right, soles.signs, soles.atypical))
        n_before += n
    return Network(join(people), join(feet), join(casting), join(leaving), join(diary))
