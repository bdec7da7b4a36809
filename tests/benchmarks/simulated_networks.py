"""Networks of invented children with known truth, for calibration.py.

The two feet of a child share a gamma frailty; relapse is seen at the first visit after it;
visits lie 13 to 17 weeks apart on a weekly clinic day, so that many events are tied.
"""

from __future__ import annotations

from dataclasses import dataclass, fields, replace

import numpy as np

BILATERAL, FRAILTY_VARIANCE = 0.5, 1.5
#: x belongs to the child and drives loss in one scenario; w belongs to the foot.
LOG_HAZARD_X, LOG_HAZARD_W = 0.8, 0.4
SHAPE, SCALE_DAYS = 0.9, 2900.0
GAP_WEEKS, N_VISITS = (13, 17), 24
#: Days in the brace without a visit after which a foot counts as lost, as in the protocol.
LOST_DAYS = 183
#: From correction to the cut-off, uniform.
FOLLOW_UP_DAYS = (1.0 * 365, 5.5 * 365)


@dataclass(frozen=True)
class Loss:
    """Hazard of loss: ``yearly * exp(log_x * x) * frailty**power``."""

    yearly: float
    log_x: float = 0.0
    power: float = 0.0


SCENARIOS = {
    "independent": Loss(0.12),
    "by covariate": Loss(0.10, log_x=1.0),
    "by frailty": Loss(0.12, power=1.0),
}


@dataclass(frozen=True)
class Network:
    """Feet: what happened (``exact``, ``visit_after``, ``attends_until``) and what records show.

    ``visit_after`` is the visit that would see the relapse, were it attended. Records hold the
    day of the event or of the last visit (``time``), the last visit free of it (``free``), and
    whether a foot without event was lost or reached the cut-off (``cut_off``).
    """

    child: np.ndarray
    x: np.ndarray
    w: np.ndarray
    exact: np.ndarray
    visit_after: np.ndarray
    attends_until: np.ndarray
    cut_off: np.ndarray
    time: np.ndarray
    free: np.ndarray
    is_event: np.ndarray
    is_lost: np.ndarray


def draw(rng: np.random.Generator, n_children: int, loss: Loss | None) -> Network:
    """Draw a network; without a ``loss`` every child attends every visit for ever."""
    frailty = rng.gamma(1 / FRAILTY_VARIANCE, FRAILTY_VARIANCE, n_children)
    x = rng.normal(size=n_children)
    weeks = rng.integers(GAP_WEEKS[0], GAP_WEEKS[1] + 1, (n_children, N_VISITS))
    visits = 7.0 * np.cumsum(weeks, axis=1)
    cut_off = lost_after = np.full(n_children, np.inf)
    if loss is not None:
        cut_off = rng.uniform(*FOLLOW_UP_DAYS, n_children)
        rate = loss.yearly / 365 * np.exp(loss.log_x * x) * frailty**loss.power
        lost_after = rng.exponential(size=n_children) / rate
    until = np.minimum(cut_off, lost_after)
    n_attended = (visits <= until[:, None]).sum(axis=1)
    days = np.column_stack([np.zeros(n_children), visits, np.full(n_children, np.inf)])

    child = np.repeat(np.arange(n_children), 1 + (rng.random(n_children) < BILATERAL))
    w = rng.normal(size=len(child))
    risk = frailty[child] * np.exp(LOG_HAZARD_X * x[child] + LOG_HAZARD_W * w)
    exact = SCALE_DAYS * (rng.exponential(size=len(child)) / risk) ** (1 / SHAPE)
    n_before = (visits[child] < exact[:, None]).sum(axis=1)
    is_event = n_before < n_attended[child]
    return Network(
        child=child,
        x=x[child],
        w=w,
        exact=exact,
        visit_after=days[child, n_before + 1],
        attends_until=until[child],
        cut_off=cut_off[child],
        time=days[child, np.where(is_event, n_before + 1, n_attended[child])],
        free=days[child, np.where(is_event, n_before, n_attended[child])],
        is_event=is_event,
        is_lost=~is_event & (lost_after < cut_off)[child],
    )


def seen_again(network: Network) -> Network:
    """Keep the feet that were seen after the origin: the others are not in any analysis."""
    rows = network.time > 0
    return Network(**{field.name: getattr(network, field.name)[rows] for field in fields(network)})


def in_care_to_cut_off(network: Network) -> Network:
    """Censor feet at the cut-off where their last visit lies within the limit of loss before it.

    The others are censored at their last visit: all of this is known from records.
    """
    in_care = ~network.is_event & (network.time + LOST_DAYS >= network.cut_off)
    return replace(network, time=np.where(in_care, network.cut_off, network.time))


def with_end_known(network: Network) -> Network:
    """Censor feet when they stopped attending, which no record tells, not at their last visit."""
    ended = np.where(network.is_event, network.time, network.attends_until)
    return replace(network, time=ended)
