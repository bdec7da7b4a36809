"""A cohort of drawn feet in which what an exposure does is known."""

from __future__ import annotations

from functools import cache

import numpy as np
import pandas as pd
from drawn import cohort_of

from analytics.analyses.study import Study, state
from analytics.courses.cohort import Cohort
from analytics.definitions.hypotheses import Hypothesis
from analytics.definitions.indicators import INDICATORS

CUT_OFF = "2026-01-01"


@cache
def known_cohort(n_children: int = 400, seed: int = 1) -> Cohort:
    """Feet of two clinics; boys relapse three times as fast, need a fifth more casts, and more of
    them are lost in their first year.
    """
    rng = np.random.default_rng(seed)
    rows = []
    for child in range(n_children):
        is_boy = rng.random() < 0.6
        frailty = rng.gamma(4.0, 0.25)
        start = pd.Timestamp("2021-01-01") + pd.Timedelta(days=int(rng.integers(0, 1200)))
        pirani = rng.integers(4, 13) / 2
        lost = rng.random() < (0.3 if is_boy else 0.15)
        for side in ("left", "right")[: 1 + (child % 2)]:
            rate = 0.25 * frailty * (3.0 if is_boy else 1.0) / 365
            relapse = rng.exponential(1 / rate)
            n_casts = 1 + rng.binomial(8, min(0.08 * pirani * (1.2 if is_boy else 1.0), 0.95))
            corrected = start + pd.Timedelta(days=int(7 * n_casts))
            seen = int(rng.integers(100, 300) if lost else rng.integers(400, 1200))
            event = relapse < seen
            last = corrected + pd.Timedelta(days=seen)
            on = corrected + pd.Timedelta(days=int(max(relapse, 1)))
            rows.append(
                {
                    "child": f"c{child}",
                    "side": side,
                    "clinic": "A" if child % 3 else "B",
                    "sex": "male" if is_boy else "female",
                    "pirani_start": str(pirani) if rng.random() > 0.08 else pd.NA,
                    "age_start_days": str(int(rng.integers(5, 300))),
                    "diagnosis": "idiopathic" if rng.random() < 0.9 else "syndromic",
                    "prior_treatment": "none",
                    "family_history": "unknown" if rng.random() < 0.5 else "no",
                    "started_on": f"{start:%Y-%m-%d}",
                    "enrolled_on": f"{start:%Y-%m-%d}",
                    "n_casts": str(n_casts),
                    "n_casts_all": str(n_casts + 1),
                    "is_corrected": "yes",
                    "corrected_on": f"{corrected:%Y-%m-%d}",
                    "relapse_on": f"{on:%Y-%m-%d}" if event else pd.NA,
                    "relapse_free_on": f"{(on if event else last):%Y-%m-%d}",
                    "relapse_noted_on": f"{on:%Y-%m-%d}" if event else pd.NA,
                    "first_seen_on": f"{start:%Y-%m-%d}",
                    "last_seen_on": f"{last:%Y-%m-%d}",
                    "status": "lost" if lost and not event else "in_care",
                    "lost_on": f"{last:%Y-%m-%d}" if lost and not event else pd.NA,
                    "first_lost_on": f"{last:%Y-%m-%d}" if lost and not event else pd.NA,
                    "due_until_on": CUT_OFF,
                    "followed_until_on": f"{last:%Y-%m-%d}",
                    "has_tenotomy": pd.NA
                    if rng.random() < 0.05
                    else "yes"
                    if rng.random() < (0.8 if is_boy else 0.6)
                    else "no",
                    "bilateral": "yes" if child % 2 else "no",
                }
            )
    frame = pd.DataFrame(rows).astype("string")
    return cohort_of(frame, cut_off=CUT_OFF)


def study_of(hypothesis: Hypothesis, cohort: Cohort | None = None) -> Study:
    """The hypothesis on that cohort."""
    return state(cohort or known_cohort(), hypothesis, INDICATORS)
