"""A fit of correction cast by cast that plain scoring steps back and forth over without end."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import optimize

from analytics.stats.steps import fit_steps

#: Score, casts taken, whether corrected, feet: one of 1,500 simulated networks of 60 children.
FEET = """
2.5 3 1 1  2.5 7 1 1  3.0 2 1 1  3.0 3 1 3  3.0 5 1 1  3.5 2 1 1  3.5 3 0 1  3.5 3 1 1  3.5 4 0 1
3.5 4 1 6  3.5 5 1 6  3.5 6 1 2  4.0 1 0 1  4.0 2 0 1  4.0 2 1 1  4.0 3 0 1  4.0 3 1 2  4.0 4 1 4
4.0 5 1 6  4.0 6 1 1  4.5 2 0 1  4.5 3 1 1  4.5 4 0 2  4.5 4 1 5  4.5 5 1 5  4.5 6 1 1  5.0 3 1 1
5.0 4 1 1  5.0 5 1 4  5.0 6 1 6  5.0 7 1 1  5.5 1 0 1  5.5 4 0 1  5.5 5 1 3  5.5 6 1 5  5.5 7 1 1
6.0 2 1 1  6.0 4 0 1  6.0 5 1 1  6.0 7 1 1  6.0 8 1 1
"""


def test_the_fit_settles_at_the_highest_likelihood() -> None:
    table = np.array(FEET.split(), dtype=float).reshape(-1, 4)
    score, steps, done = np.repeat(table[:, :3], table[:, 3].astype(int), axis=0).T
    model = fit_steps(steps, done, score[:, None])

    def cost(beta: np.ndarray) -> float:
        """Minus the log-likelihood, foot by foot and cast by cast."""
        total = 0.0
        for x, last, is_done in zip(score, steps.astype(int), done, strict=True):
            for step in range(1, last + 1):
                band = model.band_of_step[step - 1]
                if band >= 0:
                    hazard = np.exp(beta[band] + beta[-1] * x)
                    event = is_done and step == last
                    total -= np.log(-np.expm1(-hazard)) if event else -hazard
        return total

    start = np.r_[np.full(model.fit.coefficients.size - 1, -1.0), 0.0]
    best = optimize.minimize(cost, start, method="Nelder-Mead",
                             options={"maxiter": 20_000, "maxfev": 20_000, "xatol": 1e-7,
                                      "fatol": 1e-10, "adaptive": True})  # fmt: skip
    # A general optimiser without derivatives, from elsewhere: good to about four places.
    assert model.fit.coefficients == pytest.approx(best.x, abs=2e-3)
