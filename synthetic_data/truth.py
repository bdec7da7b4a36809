"""What estimates on the demo should cover, from a large network made by the same code."""

from __future__ import annotations

from dataclasses import asdict

import numpy as np
import pandas as pd
from lifelines import CoxPHFitter
from numpy.typing import NDArray

from synthetic_data.children import day_number
from synthetic_data.diary import NEVER, REASONS
from synthetic_data.network import Network, simulate
from synthetic_data.outcomes import mean_casts
from synthetic_data.scenario import (
    ADHERENCES,
    CLINICS,
    CUT_OFF,
    DIAGNOSES,
    EFFECTS,
    MANY_LOST,
    MORE_CASTS,
    PRIORS,
    VERY_SMALL,
)

#: How many times larger than the demo the large network is, and its seed.
TIMES, LARGE_SEED = 60, 7
LANDMARK_DAYS, LIMIT_CASTING, LIMIT_BRACING = 183, 21, 183
HORIZONS = {"12_months": 365, "24_months": 730}
DAYS_IN_MONTH = 30.4375


def _last_seen(network: Network) -> NDArray[np.int64]:
    """Return the last review of each child on or before its last day; 0 when it had none."""
    diary = network.diary
    last = np.minimum(diary.last_day, day_number(CUT_OFF))
    return np.where(diary.reviews <= last[:, None], diary.reviews, 0).max(axis=1)


def followed(network: Network) -> pd.DataFrame:
    """Return corrected feet with the days until relapse was seen, or until they were last seen."""
    feet, diary, children = network.feet, network.diary, network.children
    k = np.flatnonzero(diary.corrected)
    child = feet.child[k]
    event = diary.seen[k] < NEVER
    end = np.where(event, diary.seen[k], _last_seen(network)[child])
    frame = pd.DataFrame(
        {
            "days": end - diary.fitted[k],
            "event": event,
            "exact_days": diary.relapsed[k] - diary.fitted[k],
            "clinic": children.clinic[child],
            "pirani_start": feet.pirani[k],
            "age_months": (diary.started - children.enrolled + children.age_days)[child]
            / DAYS_IN_MONTH,
        }
    )
    for level in (1, 2):
        frame[f"adherence_{ADHERENCES[level]}"] = (children.adherence[child] == level).astype(float)
    for level in (1, 2, 3):
        frame[f"diagnosis_{DIAGNOSES[level]}"] = (children.diagnosis[child] == level).astype(float)
    return frame


def kaplan_meier(days: NDArray[np.int64], event: NDArray[np.bool_], at: int) -> float:
    """Return the product-limit estimate at a number of days."""
    times, place = np.unique(days, return_inverse=True)
    died = np.bincount(place, weights=event)
    left = np.bincount(place)
    at_risk = days.size - np.concatenate([[0], np.cumsum(left)[:-1]])
    return float(np.prod(1 - (died / at_risk)[times <= at]))


def relapse_truth(large: Network) -> dict[str, float]:
    """Return relapse-free shares at the horizons, exact and as seen at visits, and Cox limits."""
    frame = followed(large)
    seen = frame[frame["days"] > 0]
    found: dict[str, float] = {}
    for name, days in HORIZONS.items():
        found[f"relapse_free_{name}"] = float((frame["exact_days"] > days).mean())
        found[f"relapse_free_{name}_seen_at_visits"] = kaplan_meier(
            seen["days"].to_numpy(), seen["event"].to_numpy(), days
        )
    late = seen[seen["days"] > LANDMARK_DAYS].drop(columns="exact_days")
    fit = CoxPHFitter().fit(late, "days", "event", strata=["clinic"])
    return found | {f"log_hr_{name}": float(value) for name, value in fit.params_.items()}


def casting_truth(large: Network) -> dict[str, float]:
    """Return mean and dispersion of casts, and the rates of tenotomy and correction."""
    feet, children, diary, casting = large.feet, large.children, large.diary, large.casting
    untouched = children.prior[feet.child] == 0
    done = diary.corrected
    mean = mean_casts(children, feet, effects=EFFECTS)
    residual = (casting.n_casts - mean)[done]
    uncut = ~np.isin(children.prior[feet.child], (2, 3))
    mature = diary.started[feet.child] <= day_number(CUT_OFF) - 183
    return {
        "mean_casts": float(casting.n_casts[done & untouched].mean()),
        "dispersion": float(np.mean(residual**2 / mean[done])),
        "tenotomy_rate": float(casting.tenotomy[done & uncut].mean()),
        "initial_correction_rate": float(done[mature].mean()),
    }


def loss_truth(large: Network) -> dict[str, float]:
    """Return the share of children lost by the cut-off, of those begun half a year before it."""
    diary, cut_off = large.diary, day_number(CUT_OFF)
    in_casting = diary.reason == REASONS.index("lost_casting")
    in_bracing = diary.reason == REASONS.index("lost_bracing")
    lost = in_casting & (diary.last_day + LIMIT_CASTING < cut_off)
    lost |= in_bracing & (np.maximum(_last_seen(large), diary.braced) + LIMIT_BRACING < cut_off)
    mature = diary.started <= cut_off - 183
    many = large.children.clinic == [c.code for c in CLINICS].index(MANY_LOST)
    return {
        "lost_share": float(lost[mature].mean()),
        "lost_share_many_lost": float(lost[mature & many].mean()),
    }


def _ratios() -> dict[str, float]:
    e = EFFECTS
    found = {
        "log_rr_pirani_start": e.log_casts_per_point,
        "log_rr_age_month": e.log_casts_per_year / 12,
        "log_rr_atypical_yes": e.log_casts_atypical,
    }
    found |= {
        f"log_rr_diagnosis_{name}": e.log_casts_non_idiopathic * (name in DIAGNOSES[1:3])
        for name in DIAGNOSES[1:]
    }
    return found | {f"log_rr_prior_{name}": e.log_casts_prior for name in PRIORS[1:]}


def find_truth() -> dict[str, dict[str, object]]:
    """Return the sections of the truth file that speak of the model."""
    large = simulate(seed=LARGE_SEED, effects=EFFECTS, times=TIMES)
    size = {"n_children": large.children.clinic.size, "n_feet": large.feet.child.size}
    model = asdict(EFFECTS)
    return {
        "model": model,
        "exact": {
            "how": "set in scenario.py; the mean of casts is log-linear by construction, so a "
            "rate ratio is the same given or not given the frailty; hazard ratios hold for feet "
            "of equal frailty",
            **_ratios(),
            "log_hr_given_frailty_pirani_start": EFFECTS.log_relapse_per_point,
            "log_hr_given_frailty_adherence_partly": EFFECTS.log_relapse_adherence[1],
            "log_hr_given_frailty_adherence_not": EFFECTS.log_relapse_adherence[2],
        },
        "large_network": {
            "how": f"a network {TIMES} times as large, seed {LARGE_SEED}, same code. relapse_free: "
            "share of corrected feet whose exact day of relapse lies later, nobody lost. "
            "seen_at_visits: what Kaplan-Meier on visit dates tends to. log_hr: limit of a Cox "
            "model from day 183 after correction on visit dates, stratified by clinic, without "
            "frailty. Casts and tenotomy: corrected feet; lost: children begun 183 days before",
            **size,
            **relapse_truth(large),
            **casting_truth(large),
            **loss_truth(large),
        },
        "clinics": {
            "more_casts": MORE_CASTS,
            "many_lost": MANY_LOST,
            "very_small": VERY_SMALL,
            "log_casts": {c.code: c.log_casts for c in CLINICS},
            "log_loss": {c.code: c.log_loss for c in CLINICS},
        },
    }
