"""The other score, 0 to 20, recorded at the first assessment in two clinics."""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.random import Generator

from analytics.definitions.columns import DIMEGLIO_EXTRAS as EXTRAS
from analytics.definitions.columns import DIMEGLIO_PARTS as PARTS
from synthetic_data.network import Network
from synthetic_data.scenario import CLINICS

CLINICS_SCORING = ("VDO", "MTR")


def add_dimeglio(lines: pd.DataFrame, network: Network, *, rng: Generator) -> pd.DataFrame:
    """Return the lines with parts and total where the clinic records this score."""
    lines = lines.copy()
    signs = network.feet.signs[lines["foot"]]
    # Each parameter follows the sign that speaks of the same deformity, with some noise.
    base = np.stack([signs[:, 5], signs[:, 4], signs[:, 2], signs[:, 0]], axis=1)
    parts = np.clip(np.rint(1.2 + 2.2 * base + 0.6 * rng.standard_normal(base.shape)), 0, 4)
    muscle = (rng.random(len(lines)) < 0.15).astype(float)
    cavus = (rng.random(len(lines)) < 0.45).astype(float)
    extras = np.stack([signs[:, 3] > 0.4, signs[:, 1] > 0.4, cavus > 0, muscle > 0], axis=1)
    codes = np.array([c.code for c in CLINICS])[lines["clinic"]]
    used = (lines["stage"] == "start").to_numpy() & np.isin(codes, CLINICS_SCORING)
    used &= rng.random(len(lines)) > 0.03
    values = np.concatenate([parts, extras.astype(float)], axis=1)
    for place, name in enumerate((*PARTS, *EXTRAS)):
        lines[name] = np.where(used, values[:, place], np.nan)
    lines["dimeglio_total"] = np.where(used, values.sum(axis=1), np.nan)
    return lines
