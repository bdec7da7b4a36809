"""Draw what happens to the feet: casts, tenotomy, correction, relapse, and when children leave."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.random import Generator
from numpy.typing import NDArray
from scipy import stats

from synthetic_data.children import Children, Feet
from synthetic_data.scenario import CLINICS, Clinic, Effects

NEVER = 10**6
PRIOR_TENOTOMY = (2, 3)


@dataclass(frozen=True)
class Casting:
    """One entry a foot: the first cast series as it would run to its end."""

    n_casts: NDArray[np.int64]
    tenotomy: NDArray[np.bool_]
    failed: NDArray[np.bool_]


@dataclass(frozen=True)
class Leaving:
    """One entry a child: when and why it would stop coming (days; ``NEVER`` when it would not)."""

    cast_visits: NDArray[np.int64]
    lost_after_brace: NDArray[np.int64]
    died: NDArray[np.int64]
    moved_away: NDArray[np.int64]
    declined: NDArray[np.int64]
    worse_after_brace: NDArray[np.int64]


def _expit(x: NDArray[np.float64]) -> NDArray[np.float64]:
    return 1 / (1 + np.exp(-x))


def _waiting_days(rate_a_year: NDArray[np.float64], rng: Generator) -> NDArray[np.int64]:
    draw = -np.log1p(-rng.random(rate_a_year.size)) / rate_a_year
    return np.minimum(np.ceil(365.25 * draw), NEVER).astype(np.int64)


def mean_casts(
    children: Children, feet: Feet, *, effects: Effects, clinics: tuple[Clinic, ...] = CLINICS
) -> NDArray[np.float64]:
    """Return the expected number of casts of each foot, exact by construction."""
    child = feet.child
    own = np.array([clinic.log_casts for clinic in clinics])
    e = effects
    return e.casts_centre * np.exp(
        e.log_casts_per_point * (feet.pirani - e.centre_pirani)
        + e.log_casts_per_year * children.age_days[child] / 365.25
        + e.log_casts_atypical * feet.atypical
        + e.log_casts_non_idiopathic * np.isin(children.diagnosis[child], (1, 2))
        + e.log_casts_prior * (children.prior[child] > 0)
        + own[children.clinic[child]]
    )


def draw_casting(children: Children, feet: Feet, *, effects: Effects, rng: Generator) -> Casting:
    """Return casts, tenotomy and failure of each foot.

    The count is one cast and a binomial number of further ones, so that its mean is exactly the
    log-linear one and its variance lies well below it; both feet of a child share a normal draw.
    """
    e, child = effects, feet.child
    mean = mean_casts(children, feet, effects=e)
    most = np.ceil((mean - 1) / e.casts_success)
    shared = rng.standard_normal(children.clinic.size)[child]
    own = rng.standard_normal(child.size)
    rho = e.casts_correlation
    place = stats.norm.cdf(np.sqrt(rho) * shared + np.sqrt(1 - rho) * own)
    n_casts = 1 + stats.binom.ppf(place, most, (mean - 1) / most).astype(np.int64)
    before = np.isin(children.prior[child], PRIOR_TENOTOMY)
    p_tenotomy = _expit(
        e.logit_tenotomy + e.logit_tenotomy_per_hindfoot * (feet.hindfoot - e.centre_hindfoot)
    )
    p_failure = _expit(
        e.logit_failure
        + e.logit_failure_per_point * (feet.pirani - e.centre_pirani)
        + e.logit_failure_atypical * feet.atypical
        + e.logit_failure_non_idiopathic * np.isin(children.diagnosis[child], (1, 2))
    )
    failed = rng.random(child.size) < p_failure
    wanted = rng.random(child.size) < p_tenotomy
    return Casting(n_casts, wanted & ~before & ~failed & (n_casts > 1), failed)


def draw_leaving(children: Children, *, effects: Effects, rng: Generator) -> Leaving:
    """Return when each child would leave, and for what reason.

    Loss depends on adherence, travel and the very frailty that drives relapse: it is informative.
    """
    e, n = effects, children.clinic.size
    own = np.array([clinic.log_loss for clinic in CLINICS])[children.clinic]
    far = children.travel_minutes > 120
    common = own + e.log_loss_far * far
    per_visit = e.leaving_per_cast_visit * np.exp(common)
    cast_visits = np.ceil(np.log1p(-rng.random(n)) / np.log1p(-per_visit)).astype(np.int64)
    loss = e.loss_per_year * np.exp(
        common
        + np.array(e.log_loss_adherence)[children.adherence]
        + e.log_loss_per_log_frailty * np.log(children.frailty)
    )
    worse = e.worse_after_days + _waiting_days(np.full(n, e.worse_per_year), rng)
    return Leaving(
        cast_visits=cast_visits,
        lost_after_brace=_waiting_days(loss, rng),
        died=30 + _waiting_days(np.full(n, e.death_per_year), rng),
        moved_away=60 + _waiting_days(np.full(n, e.moved_away_per_year), rng),
        declined=60 + _waiting_days(np.full(n, e.declined_per_year), rng),
        worse_after_brace=np.where(children.adherence == 2, NEVER, worse),
    )


def relapse_log_ratio(
    children: Children, feet: Feet, adherence: NDArray[np.int64], *, effects: Effects
) -> NDArray[np.float64]:
    """Return the log hazard ratio of each foot, without its frailty, at a level of adherence."""
    e = effects
    return (
        e.log_relapse_per_point * (feet.pirani - e.centre_pirani)
        + np.array(e.log_relapse_adherence)[adherence]
        + e.log_relapse_atypical * feet.atypical
        + e.log_relapse_non_idiopathic * np.isin(children.diagnosis[feet.child], (1, 2))
    )


def draw_relapse(
    children: Children, feet: Feet, leaving: Leaving, *, effects: Effects, rng: Generator
) -> NDArray[np.int64]:
    """Return the day of relapse of each foot, in days from correction, whether seen or not."""
    e, child = effects, feet.child
    ends = np.array(e.relapse_until_days, dtype=float)
    widths = np.diff(ends, prepend=0.0)
    rates = np.array(e.relapse_per_year) / 365.25
    totals = np.concatenate([[0.0], np.cumsum(widths * rates)])
    edges = np.concatenate([[0.0], ends])
    level = children.adherence[child]
    before = children.frailty[child] * np.exp(relapse_log_ratio(children, feet, level, effects=e))
    later = np.minimum(level + 1, 2)
    after = children.frailty[child] * np.exp(relapse_log_ratio(children, feet, later, effects=e))
    turn = np.interp(leaving.worse_after_brace[child], edges, totals)
    wanted = -np.log1p(-rng.random(child.size))
    # Two speeds on the baseline's own clock: before and after the use of the brace gets worse.
    clock = np.where(
        wanted <= before * turn, wanted / before, turn + (wanted - before * turn) / after
    )
    day = np.interp(clock, totals, edges)
    return np.where(clock >= totals[-1], NEVER, np.ceil(day)).astype(np.int64)
