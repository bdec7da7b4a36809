"""What goes with an event: hazard ratios by covariate, clustered by child."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from functools import partial

import numpy as np
import pandas as pd
from scipy import stats

from analytics.analyses.casts import DAYS_IN_MONTH
from analytics.analyses.context import Method, describe, why_not
from analytics.analyses.design import Covariate, Design, build_design, effects_frame
from analytics.analyses.followed import EVENT, follow
from analytics.analyses.groups import name_group
from analytics.courses.cohort import Cohort
from analytics.courses.spells import build_spells
from analytics.definitions.endpoints import ENDPOINTS
from analytics.errors import NotEstimableError
from analytics.results import EFFECTS, Phrase, PValue, Result
from analytics.stats.cox import CoxFit, cox
from analytics.stats.cox_checks import proportionality
from analytics.stats.cox_summary import CoxSummary
from analytics.stats.spells import FEW_CLUSTERS, as_spells

#: Severity and use of the brace, adjusted for what else is known at the landmark.
SEVERITY_AND_USE = (
    Covariate("pirani_start"),
    Covariate("adherence_early", "as_advised"),
    Covariate("age_start_days", per=DAYS_IN_MONTH),
    Covariate("diagnosis", "idiopathic"),
)
#: Below this p value the page says that a ratio is an average over the time followed.
DOUBT = 0.05
_REFERENCE = (
    "Cox 1972, J R Stat Soc B 34:187; Lin & Wei 1989, J Am Stat Assoc 84:1074; "
    "Anderson et al. 1983, J Clin Oncol 1:710 (landmark)"
)


def effects(
    cohort: Cohort,
    endpoint: str = "relapse",
    *,
    covariates: Sequence[Covariate] = SEVERITY_AND_USE,
    landmark_days: int | None = None,
) -> Result:
    """Return hazard ratios of an endpoint from a landmark on, each clinic with its own baseline.

    Parameters
    ----------
    cohort
        Feet at the cut-off.
    endpoint
        Code of an endpoint.
    covariates
        What is compared; all must be known at the landmark.
    landmark_days
        Days after the origin; the protocol's landmark when None. Feet that had the event or were
        last seen by then are left out and counted.

    Returns
    -------
    Result
        Effects as hazard ratios; a note where proportional hazards are in doubt, or where
        nothing can be estimated and why.
    """
    landmark = cohort.protocol.landmark_days if landmark_days is None else landmark_days
    rows, exclusions = find_late(cohort, endpoint, landmark)
    design = build_design(rows, covariates)
    is_event = (design.rows["ended"] == EVENT).to_numpy()
    context = replace(
        describe(cohort, f"{endpoint}_effects", design.rows, method=method_from(landmark)),
        n_events=int(is_event.sum()),
        exclusions=exclusions + design.exclusions,
    )
    try:
        fit = _fit(design, is_event, landmark)
    except NotEstimableError as reason:
        context = replace(context, notes=(*context.notes, why_not(reason)))
        return Result(EFFECTS, effects_frame(design, is_event, no_ratios(design.terms)), context)
    frame = effects_frame(design, is_event, ratios(fit))
    notes = (*context.notes, *fit_notes(fit, design.constants))
    return Result(EFFECTS, frame, replace(context, notes=notes))


def find_late(
    cohort: Cohort, endpoint: str, landmark: int
) -> tuple[pd.DataFrame, tuple[tuple[str, int], ...]]:
    """Return the feet still followed after a landmark, and the others counted by reason."""
    followed = follow(cohort, ENDPOINTS[endpoint])
    late = followed.rows["time_days"] > landmark
    n_early = int((~late).sum())
    early = (("before_landmark", n_early),) if n_early else ()
    return followed.rows.loc[late], followed.exclusions + early


def method_from(landmark: int) -> Method:
    """Return the method of effects from a landmark on."""
    notes = (
        Phrase("note.landmark", {"days": landmark}),
        Phrase("note.reported_use"),
        Phrase("note.clinics_adjusted"),
        Phrase("note.score_error"),
    )
    return Method(Phrase("method.cox"), _REFERENCE, notes)


def landmarks(
    cohort: Cohort, endpoint: str = "relapse", *, days: Sequence[int] = (91, 183, 365)
) -> Result:
    """Return hazard ratios of the use of the brace from each of several landmarks on.

    Parameters
    ----------
    cohort
        Feet and visits at the cut-off.
    endpoint
        Code of an endpoint.
    days
        Landmarks, days after the origin.

    Returns
    -------
    Result
        Effects by ``landmark``. Use is what the spell that holds the landmark says: told last
        by then, unrecorded when that was too long ago.
    """
    followed = follow(cohort, ENDPOINTS[endpoint])
    spells = build_spells(cohort, followed.rows, origin=ENDPOINTS[endpoint].origin)
    frames, notes = [], [Phrase("note.landmarks"), Phrase("note.reported_use")]
    for day in days:
        held = spells.loc[(spells["start_days"] <= day) & (spells["stop_days"] > day)]
        rows = followed.rows.loc[held["foot"]].assign(adherence=held["adherence"].to_numpy())
        covariates = (Covariate("pirani_start"), Covariate("adherence", "as_advised"))
        design = build_design(rows, covariates)
        is_event = (design.rows["ended"] == EVENT).to_numpy()
        found = no_ratios(design.terms)
        try:
            fit = _fit(design, is_event, day)
            found, said = ratios(fit), caveats(fit, design.constants)
            notes += [note for note in said if note not in notes]
        except NotEstimableError as reason:
            notes.append(why_not(reason, name_group(("landmark",), (f"day_{day}",))))
        frame = effects_frame(design, is_event, found)
        frame.insert(0, "landmark", pd.array([f"day_{day}"] * len(frame), dtype="string"))
        frames.append(frame)
    method = Method(Phrase("method.cox"), _REFERENCE, tuple(notes))
    context = replace(
        describe(cohort, f"{endpoint}_landmarks", followed.rows, method=method),
        n_events=int((followed.rows["ended"] == EVENT).sum()),
        exclusions=followed.exclusions,
    )
    return Result(EFFECTS, pd.concat(frames, ignore_index=True), context, groups=("landmark",))


def effects_over_time(cohort: Cohort, endpoint: str = "relapse") -> Result:
    """Return hazard ratios of the use of the brace as it was told along the way.

    Parameters
    ----------
    cohort
        Feet and visits at the cut-off.
    endpoint
        Code of an endpoint.

    Returns
    -------
    Result
        Effects as hazard ratios: use told last, as it changes over time, and the initial score.
        Nothing told later explains what came before, so no landmark is needed; clustered by
        child, each clinic with its own baseline.
    """
    followed = follow(cohort, ENDPOINTS[endpoint])
    feet = followed.rows
    spells = build_spells(cohort, feet, origin=ENDPOINTS[endpoint].origin)
    # Only the last spell of a foot can end with the event, whatever else may end it.
    carried = feet.loc[spells["foot"], ["pirani_start", "clinic"]].reset_index(drop=True)
    rows = pd.concat([spells.reset_index(drop=True), carried], axis=1)
    design = build_design(rows, (Covariate("pirani_start"), Covariate("adherence", "as_advised")))
    notes = (Phrase("note.over_time"), Phrase("note.reported_use"), Phrase("note.clinics_adjusted"))
    method = Method(Phrase("method.cox_over_time"), _REFERENCE, notes)
    is_event = (design.rows["ended"] == EVENT).to_numpy()
    context = replace(
        describe(cohort, f"{endpoint}_effects_over_time", feet, method=method, unit="spell"),
        n_events=int(is_event.sum()),
        exclusions=followed.exclusions,
    )
    try:
        fit = cox(
            as_spells(
                design.rows["stop_days"].to_numpy(dtype=float),
                is_event,
                entry=design.rows["start_days"].to_numpy(dtype=float),
                cluster=design.rows["child"].to_numpy(),
            ),
            design.named,
            strata=design.rows["clinic"].to_numpy(),
        )
    except NotEstimableError as reason:
        context = replace(context, notes=(*notes, why_not(reason)))
        return Result(EFFECTS, effects_frame(design, is_event, no_ratios(design.terms)), context)
    context = replace(context, notes=(*notes, *fit_notes(fit, design.constants)))
    return Result(EFFECTS, effects_frame(design, is_event, ratios(fit)), context)


def no_ratios(terms: pd.DataFrame) -> pd.DataFrame:
    """Return the figures of terms of which nothing is estimable."""
    columns = ["estimate", "lower", "upper", "p"]
    return pd.DataFrame(np.nan, index=range(len(terms)), columns=columns)


def _fit(design: Design, is_event: np.ndarray, landmark: int) -> CoxFit:
    rows = design.rows
    if rows.empty:
        raise NotEstimableError("no_rows", n_rows=0)
    if not len(design.terms):
        raise NotEstimableError("constant_covariate", n_rows=len(rows))
    entry = np.maximum(rows["entry_days"].to_numpy(dtype=float), landmark)
    spells = as_spells(
        rows["time_days"].to_numpy(dtype=float),
        is_event,
        entry=entry if entry.any() else None,
        cluster=rows["child"].to_numpy(),
    )
    return cox(spells, design.named, strata=rows["clinic"].to_numpy())


def ratios(fit: CoxSummary) -> pd.DataFrame:
    """Return ratios with their intervals and p values, one row per term of a fit."""
    half = fit.critical() * fit.se
    beta, z = fit.coefficients, np.abs(fit.coefficients / fit.se)
    few = fit.n_clusters < FEW_CLUSTERS
    p = 2 * (stats.t.sf(z, fit.n_clusters - 1) if few else stats.norm.sf(z))
    return pd.DataFrame(
        {
            "estimate": np.exp(beta),
            "lower": np.exp(beta - half),
            "upper": np.exp(beta + half),
            "p": p,
        }
    )


def fit_notes(fit: CoxFit, constants: tuple[str, ...]) -> tuple[Phrase, ...]:
    """Return what must be said of a fit: proportional hazards, few children, constant columns."""
    return (*say_proportional(partial(proportionality, fit)), *caveats(fit, constants))


def caveats(fit: CoxSummary, constants: tuple[str, ...]) -> tuple[Phrase, ...]:
    """Return what must be said of a fit: few children, columns that do not vary."""
    few = (Phrase("note.few_children"),) if "few_clusters" in fit.notes else ()
    constant = (Phrase("note.constant", {"term": Phrase(f"term.{name}")}) for name in constants)
    return (*few, *constant)


def say_proportional(test: Callable[[], pd.DataFrame]) -> tuple[Phrase, ...]:
    """Say whether ratios stay the same over time, by the score test of all terms together."""
    try:
        tests = test()
    except NotEstimableError:
        return ()
    p = float(tests["p"].iloc[-1])
    key = "note.not_proportional" if p < DOUBT else "note.proportional"
    return (Phrase(key, {"p": PValue(p)}),)
