"""Place what happens on the calendar: cast visits, brace fittings, reviews, and the last day."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.random import Generator
from numpy.typing import NDArray

from synthetic_data.children import Children, Feet, day_number
from synthetic_data.outcomes import NEVER, Casting, Leaving
from synthetic_data.scenario import CUT_OFF, Effects

N_CAST_VISITS = 24
N_REVIEWS = 30
REASONS = ("", "lost_casting", "lost_bracing", "died", "moved_away", "declined", "completed")

#: Days between cast visits with their shares: weekly, a few days earlier or later.
CAST_GAPS = ((5, 0.05), (6, 0.11), (7, 0.60), (8, 0.12), (9, 0.05), (10, 0.02), (14, 0.05))

#: Days after a relapse was seen within which its treatment begins and ends.
TREATMENT_DAYS = 110


@dataclass(frozen=True)
class Diary:
    """Days since 1970-01-01; the first block has one entry a child, the second one a foot.

    ``last_day`` is the last day on which a child can be seen; ``reviews`` has a row a child and a
    column a planned review. ``seen`` is the day of the review where relapse was first seen.
    """

    started: NDArray[np.int64]
    cast_days: NDArray[np.int64]
    braced: NDArray[np.int64]
    reviews: NDArray[np.int64]
    last_day: NDArray[np.int64]
    reason: NDArray[np.int64]
    last_review: NDArray[np.int64]
    decided: NDArray[np.int64]
    fitted: NDArray[np.int64]
    corrected: NDArray[np.bool_]
    relapsed: NDArray[np.int64]
    seen: NDArray[np.int64]


def _draw_gaps(n: int, rng: Generator) -> NDArray[np.int64]:
    days = np.array([gap for gap, _ in CAST_GAPS])
    shares = np.cumsum([share for _, share in CAST_GAPS])[:-1]
    return days[np.searchsorted(shares, rng.random((n, N_CAST_VISITS - 1)), side="right")]


def _plan_reviews(braced: NDArray[np.int64], rng: Generator) -> NDArray[np.int64]:
    """Return planned reviews: 2 weeks, monthly to 3 months, then every 3 to 4 months."""
    usual = np.array([14, 16, 30, 33, *([110] * (N_REVIEWS - 4))])
    width = np.array([2, 3, 4, 4, *([11] * (N_REVIEWS - 4))])
    shape = (braced.size, N_REVIEWS)
    gaps = usual + np.rint(width * (2 * rng.random(shape) - 1)).astype(np.int64)
    delayed = (rng.random(shape) < 0.08) & (usual == 110)
    gaps = gaps + delayed * np.rint(20 + 30 * rng.random(shape)).astype(np.int64)
    return braced[:, None] + np.cumsum(gaps, axis=1)


def _largest_by_child(values: NDArray[np.int64], feet: Feet) -> NDArray[np.int64]:
    starts = np.flatnonzero(np.concatenate([[True], feet.child[1:] != feet.child[:-1]]))
    return np.maximum.reduceat(values, starts)


def _first_exits(
    children: Children, leaving: Leaving, cast_days: NDArray[np.int64], braced: NDArray[np.int64]
) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Return the last possible day of each child and why (index of ``REASONS``)."""
    n = children.clinic.size
    stops = np.minimum(leaving.cast_visits, N_CAST_VISITS - 1)
    stop_day = cast_days[np.arange(n), stops]
    in_casting = (leaving.cast_visits < N_CAST_VISITS) & (stop_day <= braced)
    ends = np.stack(
        [
            np.full(n, day_number(CUT_OFF) + 1),
            np.where(in_casting, stop_day, NEVER),
            braced + leaving.lost_after_brace,
            children.enrolled + leaving.died,
            children.enrolled + leaving.moved_away,
            children.enrolled + leaving.declined,
        ]
    )
    reason = np.argmin(ends, axis=0)
    return ends.min(axis=0) - 1, reason


def _end_of_bracing(
    children: Children, feet: Feet, reviews: NDArray[np.int64], seen: NDArray[np.int64]
) -> NDArray[np.int64]:
    """Return the number of the review that ends bracing: at four years, and not before 600 days.

    It is put off while a relapse seen shortly before is being treated.
    """
    braced = reviews[:, 0] - 14
    birth = children.enrolled - children.age_days
    end = np.maximum(birth + 1461, braced + 600)
    number = np.argmax(reviews >= end[:, None], axis=1)
    number = np.where((reviews >= end[:, None]).any(axis=1), number, N_REVIEWS - 1)
    latest = _largest_by_child(np.where(seen < NEVER, seen, -NEVER), feet)
    day = reviews[np.arange(number.size), number]
    busy = (latest <= day) & (day < latest + TREATMENT_DAYS)
    return np.minimum(number + 2 * busy, N_REVIEWS - 1)


def _first_seen(
    relapse_day: NDArray[np.int64], feet: Feet, reviews: NDArray[np.int64]
) -> NDArray[np.int64]:
    planned = reviews[feet.child]
    after = planned >= relapse_day[:, None]
    first = planned[np.arange(feet.child.size), np.argmax(after, axis=1)]
    return np.where(after.any(axis=1), first, NEVER)


def write_diary(
    children: Children,
    feet: Feet,
    casting: Casting,
    leaving: Leaving,
    relapse: NDArray[np.int64],
    *,
    effects: Effects,
    rng: Generator,
) -> Diary:
    """Return the diary of all children; ``relapse`` is in days from correction."""
    n, m, child = children.clinic.size, feet.child.size, feet.child
    wait = np.where(rng.random(n) < 0.75, 0, 1 + np.floor(7 * rng.random(n))).astype(np.int64)
    started = children.enrolled + wait
    gaps = _draw_gaps(n, rng)
    cast_days = started[:, None] + np.concatenate(
        [np.zeros((n, 1), np.int64), np.cumsum(gaps, axis=1)], axis=1
    )
    decided = cast_days[child, np.minimum(casting.n_casts, N_CAST_VISITS - 1)]
    final = np.where(rng.random(m) < 0.93, 19 + np.floor(6 * rng.random(m)), 28).astype(np.int64)
    later = np.where(rng.random(m) < 0.2, 7, 0)
    fitted = decided + np.where(casting.tenotomy, final, np.where(casting.failed, 0, later))
    braced = _largest_by_child(fitted, feet)
    reviews = _plan_reviews(braced, rng)
    last_day, reason = _first_exits(children, leaving, cast_days, braced)
    relapsed = np.where(
        casting.failed | (relapse >= NEVER), NEVER, fitted + np.minimum(relapse, NEVER // 2)
    )
    planned = _first_seen(relapsed, feet, reviews)
    number = _end_of_bracing(children, feet, reviews, planned)
    end = reviews[np.arange(n), number]
    completed = end <= last_day
    last_day = np.where(completed, end, last_day)
    reason = np.where(completed, REASONS.index("completed"), reason)
    seen = np.where(planned <= last_day[child], planned, NEVER)
    return Diary(
        started=started,
        cast_days=cast_days,
        braced=braced,
        reviews=reviews,
        last_day=_stay_for_treatment(last_day, reason, seen, feet),
        reason=reason,
        last_review=number,
        decided=decided,
        fitted=fitted,
        corrected=~casting.failed & (fitted <= last_day[child]),
        relapsed=relapsed,
        seen=seen,
    )


def _stay_for_treatment(
    last_day: NDArray[np.int64],
    reason: NDArray[np.int64],
    seen: NDArray[np.int64],
    feet: Feet,
) -> NDArray[np.int64]:
    """Return last days put off until a relapse just seen has been treated, up to the cut-off."""
    latest = _largest_by_child(np.where(seen < NEVER, seen, -NEVER), feet)
    moved = np.maximum(last_day, latest + TREATMENT_DAYS)
    moved = np.minimum(moved, day_number(CUT_OFF))
    return np.where(reason == REASONS.index("completed"), last_day, moved)
