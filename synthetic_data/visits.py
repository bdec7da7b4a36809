"""From the diary to one line per foot and visit: days and purposes, no findings yet."""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.random import Generator
from numpy.typing import NDArray

from synthetic_data.children import day_number
from synthetic_data.diary import NEVER, REASONS
from synthetic_data.network import Network
from synthetic_data.scenario import CLINICS, CUT_OFF, Effects

#: Order of what is done on one day.
ORDER = ("assessment", "brace_review", "review", "procedure", "tenotomy", "cast", "brace_fitting")

#: Days within which every relapse is treated.
TREATED_WITHIN = 90

#: ``stage`` says where in the course a visit lies; findings follow from it.
COLUMNS = ("foot", "day", "purpose", "stage", "number")


def _lines(
    foot: NDArray[np.int64], day: NDArray[np.int64], purpose: str, stage: str, number: object = 0
) -> pd.DataFrame:
    return pd.DataFrame(
        {"foot": foot, "day": day, "purpose": purpose, "stage": stage, "number": number}
    )


def _casting_visits(network: Network) -> list[pd.DataFrame]:
    """Return assessment, casts, tenotomy, last cast, brace fitting; release if casting failed."""
    feet, casting, diary = network.feet, network.casting, network.diary
    every = np.arange(feet.child.size)
    repeat = np.repeat(every, casting.n_casts)
    number = np.arange(repeat.size) - np.repeat(
        np.cumsum(casting.n_casts) - casting.n_casts, casting.n_casts
    )
    cut = np.flatnonzero(casting.tenotomy)
    fit = np.flatnonzero(~casting.failed)
    failed = np.flatnonzero(casting.failed)
    released = diary.decided[failed] + 35
    return [
        _lines(every, network.children.enrolled[feet.child], "assessment", "start"),
        _lines(repeat, diary.cast_days[feet.child[repeat], number], "cast", "cast", number + 1),
        _lines(cut, diary.decided[cut], "tenotomy", "tenotomy"),
        _lines(cut, diary.decided[cut], "cast", "last_cast", casting.n_casts[cut] + 1),
        _lines(fit, diary.fitted[fit], "brace_fitting", "fitting"),
        _lines(failed, diary.decided[failed], "review", "failed"),
        _lines(failed, released, "procedure", "release"),
    ]


def _reviews(network: Network) -> pd.DataFrame:
    """Return planned reviews of every foot; where casting failed, every second one."""
    feet, diary = network.feet, network.diary
    days = diary.reviews[feet.child]
    inside = np.arange(days.shape[1])[None, :] <= diary.last_review[feet.child][:, None]
    failed = network.casting.failed
    inside &= ~failed[:, None] | (np.arange(days.shape[1])[None, :] % 2 == 1)
    foot, number = np.nonzero(inside)
    lines = _lines(foot, days[foot, number], "brace_review", "brace", number + 1)
    own_brace = diary.fitted[foot]
    lines = lines[(lines["day"] > own_brace) | failed[foot]].copy()
    of_failed = failed[lines["foot"]]
    lines.loc[of_failed, ["purpose", "stage"]] = ["review", "after_failure"]
    seen = lines["day"].to_numpy() == diary.seen[lines["foot"]]
    lines.loc[seen, "stage"] = "relapse"
    return lines


def _treatments(network: Network, *, rng: Generator) -> pd.DataFrame:
    """Return visits at which relapse is treated: casts, sometimes an operation, a brace again."""
    feet, children, diary = network.feet, network.children, network.diary
    foot = np.flatnonzero(diary.seen < NEVER)
    n = foot.size
    wait = np.where(rng.random(n) < 0.7, 0, 6 + np.floor(16 * rng.random(n)))
    wait = np.where(rng.random(n) < 0.04, 35 + np.floor(20 * rng.random(n)), wait)
    # Close to the cut-off the first cast is put on at once, so that its record is not cut off.
    near = diary.seen[foot] + TREATED_WITHIN > day_number(CUT_OFF)
    begin = diary.seen[foot] + np.where(near, 0, wait).astype(np.int64)
    n_casts = 1 + np.floor(3 * rng.random(n)).astype(np.int64)
    age = begin - (children.enrolled - children.age_days)[feet.child[foot]]
    transfer = (age > 930) & (rng.random(n) < 0.3)
    again = (
        ~transfer & network.casting.tenotomy[foot] & (rng.random(n) < 0.2)
        & (begin > diary.decided[foot] + 380)
    )  # fmt: skip
    operated = begin + 7 * n_casts
    fitted = operated + np.where(transfer, 35, np.where(again, 21, 0))
    repeat = np.repeat(np.arange(n), n_casts)
    number = np.arange(repeat.size) - np.repeat(np.cumsum(n_casts) - n_casts, n_casts)
    t, a, o = np.flatnonzero(transfer), np.flatnonzero(again), np.flatnonzero(transfer | again)
    parts = [
        _lines(foot[repeat], begin[repeat] + 7 * number, "cast", "recast", number + 1),
        _lines(foot[t], operated[t], "procedure", "transfer"),
        _lines(foot[a], operated[a], "procedure", "tenotomy_again"),
        _lines(foot[o], operated[o], "cast", "recast", n_casts[o] + 1),
        _lines(foot, fitted, "brace_fitting", "refitting"),
    ]
    return pd.concat(parts, ignore_index=True).assign(until=lambda x: x["foot"].map(
        dict(zip(foot, fitted, strict=True))))  # fmt: skip


def plan_visits(network: Network, *, effects: Effects, rng: Generator) -> pd.DataFrame:
    """Return one line per foot and visit, at or before the last day of the child.

    Returns
    -------
    DataFrame
        ``foot, day, purpose, stage, number, child, clinic``; sorted by child, day, side and order.
    """
    feet, diary = network.feet, network.diary
    treated = _treatments(network, rng=rng)
    reviews = _reviews(network)
    until = reviews["foot"].map(treated.groupby("foot")["until"].first()).fillna(-1)
    seen = diary.seen[reviews["foot"]]
    busy = (reviews["day"] > seen) & (reviews["day"] <= until)
    parts = [*_casting_visits(network), reviews[~busy], treated.drop(columns="until")]
    lines = pd.concat(parts, ignore_index=True)
    lines["child"] = feet.child[lines["foot"]]
    last = np.minimum(diary.last_day, day_number(CUT_OFF))[lines["child"]]
    lines = lines[lines["day"] <= last].copy()
    lines["ends"] = (
        (lines["stage"] == "brace")
        & (diary.reason[lines["child"]] == REASONS.index("completed"))
        & (lines["day"] == diary.last_day[lines["child"]])
    )
    lines["clinic"] = _clinic_of_visit(network, lines, effects=effects, rng=rng)
    lines["order"] = lines["purpose"].map({name: i for i, name in enumerate(ORDER)})
    lines = lines.sort_values(["child", "day", "foot", "order"], kind="stable")
    return lines.drop(columns="order").reset_index(drop=True)


def _clinic_of_visit(
    network: Network, lines: pd.DataFrame, *, effects: Effects, rng: Generator
) -> NDArray[np.int64]:
    """Return the clinic of each visit: a few children move to another one of the same register."""
    children, diary = network.children, network.diary
    n = children.clinic.size
    long = np.array([i for i, c in enumerate(CLINICS) if c.export == "long" and c.n_children > 50])
    opened = np.array([day_number(c.opened_on) for c in CLINICS])
    other = long[np.floor(rng.random(n) * long.size).astype(np.int64)]
    when = diary.braced + 60 + np.floor(900 * rng.random(n)).astype(np.int64)
    moves = (
        (rng.random(n) < effects.share_moving_inside)
        & np.isin(children.clinic, long)
        & (other != children.clinic)
        & (opened[other] < when)
    )
    child = lines["child"].to_numpy()
    moved = moves[child] & (lines["day"].to_numpy() >= when[child])
    return np.where(moved, other[child], children.clinic[child])
