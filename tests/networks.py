"""Random small networks of feet, as they stand at any day: for attacks on public reports."""

from __future__ import annotations

import numpy as np
import pandas as pd
from drawn import cohort_of

from analytics.courses.cohort import Cohort

_DATES = ("started_on", "enrolled_on", "corrected_on", "tenotomy_on", "brace_on", "relapse_on",
          "lost_on", "first_seen_on")  # fmt: skip


def whole_lives(seed: int, children: tuple[int, int] = (25, 140)) -> pd.DataFrame:
    """Feet of two to six clinics, a few of them tiny, with the days of their whole course.

    ``children`` says between which numbers that of the children is drawn.
    """
    rng = np.random.default_rng(seed)
    n_clinics = int(rng.integers(2, 7))
    weights = rng.dirichlet(np.full(n_clinics, 0.7))
    n_children = int(rng.integers(*children))
    clinic = rng.choice(n_clinics, size=n_children, p=weights)
    chance = {name: rng.uniform(*ends) for name, ends in
              (("corrected", (0.6, 0.99)), ("tenotomy", (0.4, 0.95)), ("lost", (0.02, 0.4)),
               ("relapse", (0.03, 0.4)), ("known", (0.8, 1.0)))}  # fmt: skip
    rows = []
    for child in range(n_children):
        start = pd.Timestamp("2023-10-01") + pd.Timedelta(days=int(rng.integers(0, 820)))
        is_lost = rng.random() < chance["lost"]
        lost = start + pd.Timedelta(days=int(rng.integers(30, 500))) if is_lost else pd.NaT
        band = rng.choice(["mild", "moderate", "severe", "unknown"], p=[0.15, 0.35, 0.45, 0.05])
        for side in ("left", "right")[: int(rng.integers(1, 3))]:
            n_casts = int(rng.integers(3, 11))
            corrected = start + pd.Timedelta(days=7 * n_casts + 21)
            if rng.random() > chance["corrected"] or (is_lost and lost < corrected):
                corrected = pd.NaT
            brace = corrected + pd.Timedelta(days=int(rng.integers(0, 14)))
            relapse = pd.NaT
            if corrected is not pd.NaT and rng.random() < chance["relapse"]:
                relapse = corrected + pd.Timedelta(days=int(rng.integers(90, 600)))
            told = rng.random() < chance["known"]
            rows.append(
                {
                    "child": f"c{child}",
                    "side": side,
                    "clinic": f"K{clinic[child]}",
                    "severity_band": band,
                    "sex": "female" if rng.random() < 0.35 else "male",
                    "diagnosis": "idiopathic" if rng.random() < 0.9 else "syndromic",
                    "prior_treatment": "none" if rng.random() < 0.9 else "casts",
                    "age_start_days": int(rng.integers(3, 500)),
                    "n_casts": n_casts,
                    "has_tenotomy": rng.random() < chance["tenotomy"] if told else pd.NA,
                    "started_on": start,
                    "enrolled_on": start,
                    "first_seen_on": start,
                    "corrected_on": corrected,
                    "tenotomy_on": corrected - pd.Timedelta(days=21),
                    "brace_on": brace,
                    "relapse_on": relapse,
                    "lost_on": lost,
                }
            )
    return pd.DataFrame(rows)


def as_of(lives: pd.DataFrame, day: str) -> Cohort:
    """The cohort as it stood on a day: what came later is not known yet."""
    cut = pd.Timestamp(day)
    feet = lives.loc[lives["started_on"] <= cut].copy()
    for name in _DATES:
        feet[name] = feet[name].where(feet[name] <= cut)
    quarter = feet["started_on"].dt.to_period("Q").astype("string")
    is_corrected = feet["corrected_on"].notna()
    last = feet[["started_on", "corrected_on", "brace_on", "relapse_on"]].max(axis=1)
    lost = feet["lost_on"].notna()
    told = feet["has_tenotomy"].astype("boolean")
    frame = feet.assign(
        quarter=quarter,
        is_corrected=is_corrected.map({True: "yes", False: "no"}),
        has_tenotomy=told.map({True: "yes", False: "no"}),
        series_end=np.where(is_corrected, "corrected", "unfinished"),
        status=np.where(lost, "lost", "in_care"),
        phase=np.where(feet["brace_on"].notna(), "bracing", "casting"),
        first_lost_on=feet["lost_on"],
        last_seen_on=feet["lost_on"].fillna(cut).clip(lower=last),
        relapse_free_on=feet["relapse_on"].fillna(feet["lost_on"].fillna(cut)).where(is_corrected),
        relapse_noted_on=feet["relapse_on"],
        due_until_on=cut,
        followed_until_on=feet["lost_on"].fillna(cut),
    )
    text = pd.DataFrame({name: _as_text(values) for name, values in frame.items()})
    return cohort_of(text.reset_index(drop=True), cut_off=day)


def _as_text(values: pd.Series) -> pd.Series:
    if pd.api.types.is_datetime64_any_dtype(values):
        return values.dt.strftime("%Y-%m-%d").astype("string")
    return values.astype("string")
