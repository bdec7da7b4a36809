"""One question by every method: what each step from a crude percentage on changes."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import pandas as pd
from scipy import stats

from analytics.analyses.context import Method, describe, why_not, without_repeats
from analytics.analyses.followed import EVENT, extend_to_cut_off, find_reached, follow
from analytics.analyses.groups import name_group, typed
from analytics.analyses.loss_weights import weigh
from analytics.analyses.time_to import as_event_spells
from analytics.courses.cohort import Cohort
from analytics.definitions.endpoints import ENDPOINTS
from analytics.errors import NotEstimableError
from analytics.results import ESTIMATES, Phrase, Result
from analytics.stats.curve_reading import read_curve
from analytics.stats.interval import survival_bounds, turnbull
from analytics.stats.proportions import wilson
from analytics.stats.resample import BootstrapPlan, bootstrap_weights
from analytics.stats.survival import log_log_limits, product_limit

#: In the order of the argument: each mends a fault of the one before.
METHODS = ("crude", "independent", "clustered", "until_cut_off", "interval", "weighted")

#: Days are rounded outwards for the interval curve: to weeks for the estimate; to four weeks for
#: its error, which hardly changes with the step while the cost of resampling does.
STEP_DAYS, STEP_DAYS_RESAMPLED = 7, 28
N_RESAMPLES = 60

_METHOD = Method(
    Phrase("method.methods"),
    "Kaplan & Meier 1958, J Am Stat Assoc 53:457; Turnbull 1976, J R Stat Soc B 38:290; "
    "Robins & Finkelstein 2000, Biometrics 56:779",
    (Phrase("note.methods"),),
)


def estimates(
    cohort: Cohort,
    endpoint: str = "relapse",
    *,
    horizons: Sequence[int] = (365, 730, 1096),
    seed: int = 20260101,
) -> Result:
    """Return the share free of an event at fixed times by each method.

    Parameters
    ----------
    cohort
        Feet at the cut-off.
    endpoint
        Code of an endpoint.
    horizons
        Days after the origin.
    seed
        Seed of the resampling of children for the interval curve.

    Returns
    -------
    Result
        Estimates by ``method``, one measure per horizon: *crude* (feet without the event over all,
        however short their follow-up), *independent* (Kaplan-Meier, feet taken as independent),
        *clustered* (the same curve, children as clusters), *until_cut_off* (the same, feet in
        care counted up to the cut-off and not to their last visit only), *interval* (Turnbull:
        the event lies between two visits) and *weighted* (Kaplan-Meier, feet weighted by the
        inverse chance of still being in care). A method that fails is missing, and a note says
        why.
    """
    asked = ENDPOINTS[endpoint]
    followed = follow(cohort, asked)
    rows = followed.rows
    context = replace(
        describe(cohort, "relapse_methods", rows, method=_METHOD),
        n_events=int((rows["ended"] == EVENT).sum()),
        exclusions=followed.exclusions,
        seed=seed,
    )
    _, unmet = find_reached(rows, _measures(horizons), needed=cohort.protocol.few_children)
    parts, notes = [], [*context.notes, *unmet]
    for name in METHODS:
        ends_later = name == "until_cut_off"
        used = extend_to_cut_off(cohort, asked, rows) if ends_later else rows
        try:
            figures = _FITS[name](cohort, used, list(horizons), np.random.default_rng(seed))
        except NotEstimableError as reason:
            where = name_group(("method",), (name,)) if len(rows) else ()
            notes.append(why_not(reason, where))
            figures = np.full((len(horizons), 3), np.nan)
        parts.append(_lines(cohort, used, name, horizons, figures))
    frame = typed(pd.concat(parts, ignore_index=True), ESTIMATES, ("method",))
    context = replace(context, notes=without_repeats(notes))
    return Result(ESTIMATES, frame, context, groups=("method",))


def _measures(horizons: Sequence[int]) -> dict[str, int]:
    return {f"free_{days}d": days for days in horizons}


def _lines(
    cohort: Cohort, rows: pd.DataFrame, name: str, horizons: Sequence[int], figures: np.ndarray
) -> pd.DataFrame:
    enough, _ = find_reached(rows, _measures(horizons), needed=cohort.protocol.few_children)
    figures = np.where(enough[:, None] | (name == "crude"), figures, np.nan)
    n_events = int((rows["ended"] == EVENT).sum())
    return pd.DataFrame(figures, columns=["estimate", "lower", "upper"]).assign(
        method=name,
        measure=list(_measures(horizons)),
        n=len(cohort.feet),
        denominator=len(rows),
        numerator=len(rows) - n_events if name == "crude" else pd.NA,
        outside=len(cohort.feet) - len(rows),
        immature=0,
        unknown=0,
    )


def _crude(
    _: Cohort, rows: pd.DataFrame, horizons: list[int], rng: np.random.Generator
) -> np.ndarray:
    if rows.empty:
        raise NotEstimableError("no_rows", n_rows=0)
    free = int((rows["ended"] != EVENT).sum())
    at = wilson(free, len(rows))
    one = [float(part) for part in (at.estimate, at.lower, at.upper)]
    return np.tile(one, (len(horizons), 1))


def _curve(rows: pd.DataFrame, horizons: list[int], *, is_clustered: bool) -> np.ndarray:
    spells = as_event_spells(rows, is_clustered=is_clustered)
    read = read_curve(product_limit(spells), horizons)
    return read[["estimate", "lower", "upper"]].to_numpy()


def _independent(
    _: Cohort, rows: pd.DataFrame, horizons: list[int], rng: np.random.Generator
) -> np.ndarray:
    return _curve(rows, horizons, is_clustered=False)


def _clustered(
    _: Cohort, rows: pd.DataFrame, horizons: list[int], rng: np.random.Generator
) -> np.ndarray:
    return _curve(rows, horizons, is_clustered=True)


def _interval(
    _: Cohort, rows: pd.DataFrame, horizons: list[int], rng: np.random.Generator
) -> np.ndarray:
    if rows.empty:
        raise NotEstimableError("no_rows", n_rows=0)
    if not (rows["ended"] == EVENT).any():
        raise NotEstimableError("no_events", n_rows=len(rows), n_events=0)
    whole = _read_intervals(rows, horizons, STEP_DAYS, np.ones(len(rows)))

    def read(weights: np.ndarray) -> np.ndarray:
        return _read_intervals(rows, horizons, STEP_DAYS_RESAMPLED, weights)

    plan = BootstrapPlan(n_resamples=N_RESAMPLES)
    found = bootstrap_weights(read, rows["child"].to_numpy(), rng=rng, plan=plan)
    # So few resamples tell an error well, and the tails of a distribution badly.
    z = float(stats.norm.ppf(0.975))
    return np.column_stack([whole, *log_log_limits(whole, found.se, z=z)])


def _read_intervals(
    rows: pd.DataFrame, horizons: list[int], step: int, weights: np.ndarray
) -> np.ndarray:
    is_event = (rows["ended"] == EVENT).to_numpy()
    seen = rows["time_days"].to_numpy(dtype=float)
    free = np.nan_to_num(rows["free_days"].to_numpy(dtype=float, na_value=np.nan))
    left = np.floor(np.where(is_event, free, seen) / step) * step
    right = np.where(is_event, np.ceil(seen / step) * step, np.inf)
    bounds = survival_bounds(turnbull(left, right, weights=weights), horizons)
    # Inside a stretch the curve is not unique: its middle stands for it.
    return ((bounds["lowest"] + bounds["highest"]) / 2).to_numpy()


def _weighted(
    cohort: Cohort, rows: pd.DataFrame, horizons: list[int], rng: np.random.Generator
) -> np.ndarray:
    read = read_curve(product_limit(weigh(cohort, rows)), horizons)
    return read[["estimate", "lower", "upper"]].to_numpy()


_FITS = {
    "crude": _crude,
    "independent": _independent,
    "clustered": _clustered,
    "until_cut_off": _clustered,
    "interval": _interval,
    "weighted": _weighted,
}
