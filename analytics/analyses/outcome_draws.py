"""What became of those lost, drawn from what is known of the others; answers combined."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import TypeVar

import numpy as np
import pandas as pd
from numpy.random import Generator

from analytics.analyses.design import Design
from analytics.analyses.outcome_models import Data, Fitted, fit_cox, fit_log_linear
from analytics.errors import NotEstimableError
from analytics.stats.cox import CoxFit
from analytics.stats.cox_checks import baseline_hazard
from analytics.stats.missing import combine

#: Copies drawn for each assumption: with a tenth of the feet lost the answer settles at ten.
N_COPIES = 10

#: Resamples that had no answer before a draw is given up.
MOST_TRIES = 30

T = TypeVar("T")


@dataclass(frozen=True)
class Known:
    """What resamples of the children say of the risk of each row.

    Parameters
    ----------
    risk
        (copies, rows): of a time the hazard ratio, of a share the chance.
    steps
        Of a time: for each copy and layer the event times and the cumulative baseline hazard
        before the first and after each.
    layer
        (rows,) layer of each row.
    """

    risk: np.ndarray
    steps: tuple[tuple[tuple[np.ndarray, np.ndarray], ...], ...] = ()
    layer: np.ndarray | None = None


def learn_times(data: Data, rng: Generator) -> Known:
    """Fit Cox's model to resamples of the children.

    Parameters
    ----------
    data
        A design whose rows have ``is_lost`` and ``end_days`` (when observation would have ended).
    rng
        Source of randomness.
    """
    rows = data.design.rows
    layers = np.unique(rows["clinic"]) if data.by_clinic else np.array([""])
    layer = np.zeros(len(rows), dtype=int)
    if data.by_clinic:
        layer = np.searchsorted(layers, rows["clinic"].to_numpy())
    risk, steps = [], []
    for _ in range(N_COPIES):
        fit, own = _try(data, rng, _fit_layers)
        risk.append(np.exp(np.clip(data.design.matrix @ fit.coefficients, -20, 20)))
        # A clinic that no resampled child came from has no events either.
        places = {name: place for place, name in enumerate(own)}
        steps.append(tuple(_steps(fit, places.get(name)) for name in layers))
    return Known(np.array(risk), tuple(steps), layer)


def draw_times(data: Data, known: Known, rng: Generator) -> list[pd.DataFrame]:
    """Return copies of the rows in which those lost were followed on.

    Parameters
    ----------
    data
        As for ``learn_times``; its rows have ``multiple``, of the hazard after loss.
    known
        From ``learn_times``.
    rng
        Source of randomness.

    Notes
    -----
    Jackson et al. 2014, Stat Med 33:4681: from the hazards of a fit to a resample of the children
    an event time is drawn for each foot lost, given that it had none until it was lost, with its
    hazard from then on times the multiple. A multiple of 1 draws what censoring at the last visit
    takes for granted.
    """
    return [_draw_times(data, known, copy, rng) for copy in range(N_COPIES)]


def learn_verdicts(data: Data, rng: Generator) -> Known:
    """Fit the chance of a yes to resamples of the children seen."""
    risk = []
    for _ in range(N_COPIES):
        drawn, fitted = _try(data, rng, lambda one: (one, fit_log_linear(one)), only_seen=True)
        # The constant makes the mean of the chances that of the drawn rows.
        at_drawn = np.exp(drawn.design.matrix @ fitted.coefficients)
        scale = float(drawn.column("event").mean() / at_drawn.mean())
        risk.append(scale * np.exp(data.design.matrix @ fitted.coefficients))
    return Known(np.array(risk))


def draw_verdicts(data: Data, known: Known, rng: Generator) -> list[pd.DataFrame]:
    """Return copies of the rows in which those lost have a yes or no.

    Each is a yes with the chance that a resample gives it, times its multiple, at most 1.
    """
    rows = data.design.rows
    lost = rows["is_lost"].to_numpy(dtype=bool)
    copies = []
    for risk in known.risk:
        chance = np.minimum(risk * data.column("multiple"), 1.0)
        said = (rng.random(len(rows)) < chance).astype(float)
        copies.append(rows.assign(event=np.where(lost, said, data.column("event"))))
    return copies


@dataclass(frozen=True)
class Draw:
    """How those lost are drawn: what is learnt once, and the copies made from it."""

    learn: Callable[[Data, Generator], Known]
    draw: Callable[[Data, Known, Generator], list[pd.DataFrame]]


DRAWS: dict[str, Draw] = {
    "time": Draw(learn_times, draw_times),
    "share": Draw(learn_verdicts, draw_verdicts),
}


def combine_fits(fits: Sequence[Fitted], n_clusters: int) -> Fitted:
    """Return the answers of several copies as one, by Rubin's rules."""
    degrees = float(max(n_clusters - fits[0].coefficients.size - 1, 1))
    whole = combine([f.coefficients for f in fits], [f.covariance for f in fits], degrees=degrees)
    naive = np.mean([f.naive for f in fits], axis=0)
    return Fitted(whole.estimate, whole.covariance, naive, float(whole.degrees.min()))


def _try(data: Data, rng: Generator, model: Callable[[Data], T], *, only_seen: bool = False) -> T:
    """Return what a model says of a resample; one without an answer is drawn again."""
    for _ in range(MOST_TRIES):
        try:
            return model(_resample(data, rng, only_seen=only_seen))
        except NotEstimableError:
            continue
    raise NotEstimableError("no_convergence", n_tries=MOST_TRIES)


def _fit_layers(data: Data) -> tuple[CoxFit, np.ndarray]:
    if not data.by_clinic:
        return fit_cox(data, None), np.array([""])
    strata = data.design.rows["clinic"].to_numpy()
    return fit_cox(data, strata), np.unique(strata)


def _resample(data: Data, rng: Generator, *, only_seen: bool = False) -> Data:
    """Return rows of children drawn with replacement, each draw a child of its own."""
    rows = data.design.rows
    if only_seen:
        kept = ~rows["is_lost"].to_numpy(dtype=bool)
        rows, matrix = rows.loc[kept], data.design.matrix[kept]
    else:
        matrix = data.design.matrix
    code, children = pd.factorize(rows["child"])
    order = np.argsort(code, kind="stable")
    starts = np.searchsorted(code[order], np.arange(len(children) + 1))
    chosen = rng.integers(len(children), size=len(children))
    at = [order[starts[c] : starts[c + 1]] for c in chosen]
    label = np.repeat(np.arange(len(at)), [len(part) for part in at])
    place = np.concatenate(at)
    drawn = rows.iloc[place].assign(child=label)
    design = Design(drawn, matrix[place], data.design.terms, (), ())
    return Data(design, data.by_clinic)


def _draw_times(data: Data, known: Known, copy: int, rng: Generator) -> pd.DataFrame:
    rows = data.design.rows
    assert known.layer is not None  # of a time
    lost = rows["is_lost"].to_numpy(dtype=bool)
    time, end, event = (data.column(name) for name in ("time_days", "end_days", "event"))
    risk = known.risk[copy] * data.column("multiple")
    new, event = time.copy(), event.copy()
    for layer, (times, hazard) in enumerate(known.steps[copy]):
        own = np.flatnonzero(lost & (known.layer == layer))
        so_far = hazard[np.searchsorted(times, time[own], side="right")]
        wanted = so_far + rng.exponential(size=own.size) / risk[own]
        at = np.searchsorted(hazard[1:], wanted)
        drawn = np.append(times, np.inf)[at]
        # The event of a draw falls after the last visit and before observation would have ended.
        happens = (drawn > time[own]) & (drawn <= end[own])
        new[own] = np.where(happens, drawn, np.maximum(end[own], time[own]))
        event[own] = happens.astype(float)
    return rows.assign(time_days=new, event=event)


def _steps(fit: CoxFit, stratum: int | None) -> tuple[np.ndarray, np.ndarray]:
    """Return event times, and the cumulative baseline hazard before the first and after each."""
    nothing = np.array([]), np.array([0.0])
    if stratum is None:
        return nothing
    try:
        table = baseline_hazard(fit, np.zeros(len(fit.coefficients)), stratum=stratum)
    except NotEstimableError:
        return nothing  # nobody here had the event
    hazard = table["cumulative_hazard"].to_numpy()
    return table["time"].to_numpy(), np.append(0.0, hazard)
