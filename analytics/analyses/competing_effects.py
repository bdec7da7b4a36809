"""What goes with an event when something else can come first: two hazard ratios, side by side."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace

import numpy as np
import pandas as pd

from analytics.analyses.casts import DAYS_IN_MONTH
from analytics.analyses.context import Method, describe, why_not
from analytics.analyses.design import Covariate, Design, build_design, effects_frame
from analytics.analyses.followed import COMPETING, EVENT, follow
from analytics.analyses.hazards import fit_notes, no_ratios, ratios
from analytics.courses.cohort import Cohort
from analytics.definitions.endpoints import ENDPOINTS
from analytics.errors import NotEstimableError
from analytics.results import EFFECTS, Phrase, Result
from analytics.stats.cox import CoxFit, cox
from analytics.stats.frailty import gamma_frailty
from analytics.stats.spells import Spells, as_spells
from analytics.stats.subdistribution import fine_gray

#: What is known when time begins.
KNOWN_AT_START = (
    Covariate("pirani_start"),
    Covariate("age_start_days", per=DAYS_IN_MONTH),
    Covariate("diagnosis", "idiopathic"),
)
_REFERENCE = (
    "Prentice et al. 1978, Biometrics 34:541 (cause-specific); "
    "Fine & Gray 1999, J Am Stat Assoc 94:496 (subdistribution)"
)


def effects(
    cohort: Cohort,
    endpoint: str = "relapse",
    *,
    covariates: Sequence[Covariate] = KNOWN_AT_START,
) -> Result:
    """Return cause-specific and subdistribution hazard ratios of an endpoint.

    Parameters
    ----------
    cohort
        Feet at the cut-off.
    endpoint
        Code of an endpoint.
    covariates
        What is compared; all must be known at the origin.

    Returns
    -------
    Result
        Effects by ``model``: *cause_specific* (Cox; whatever else ends a foot's time ends its
        follow-up) and *subdistribution* (Fine-Gray; what else came first keeps a foot from ever
        having the event). Clustered by child; no baseline of its own for each clinic, so that
        both models rest on the same feet. A note tells, by a gamma frailty, how much the event
        of one foot says of the child's other foot.
    """
    followed = follow(cohort, ENDPOINTS[endpoint])
    design = build_design(followed.rows, covariates)
    ended = design.rows["ended"].to_numpy(dtype=np.int64)
    n_other = int((ended == COMPETING).sum())
    notes = [Phrase("note.both_hazards", {"n": n_other}), Phrase("note.score_error")]
    frames: list[pd.DataFrame] = []
    for name, model in _MODELS.items():
        found = no_ratios(design.terms)
        try:
            fit = model(_spells(design), design.named)
            # What is said of the first model holds of the second, which rests on the same feet.
            found, said = ratios(fit), () if frames else fit_notes(fit, design.constants)
        except NotEstimableError as reason:
            said = (why_not(reason),)
        notes += [note for note in said if note not in notes]
        frame = effects_frame(design, ended == EVENT, found)
        frame.insert(0, "model", pd.array([name] * len(frame), dtype="string"))
        frames.append(frame)
    notes += _alike(design)
    method = Method(Phrase("method.both_hazards"), _REFERENCE, tuple(notes))
    context = replace(
        describe(cohort, f"{endpoint}_both_hazards", design.rows, method=method),
        n_events=int((ended == EVENT).sum()),
        exclusions=followed.exclusions + design.exclusions,
    )
    return Result(EFFECTS, pd.concat(frames, ignore_index=True), context, groups=("model",))


def _alike(design: Design) -> list[Phrase]:
    """Say how much the relapse of one foot tells of the child's other foot."""
    if not design.rows["child"].duplicated().any():
        return []
    try:
        spells = _spells(design)
        only = replace(spells, event=(spells.event == EVENT).astype(np.int64))
        fit = gamma_frailty(only, design.named)
    except NotEstimableError:
        # The models above say why: the frailty needs no more than they do, bar the entry.
        return []
    told = {"times": 1 + fit.variance, "lower": 1 + fit.lower, "upper": 1 + fit.upper}
    return [Phrase("note.frailty", told)]


def _spells(design: Design) -> Spells:
    rows = design.rows
    entry = rows["entry_days"].to_numpy(dtype=float)
    if rows.empty:
        raise NotEstimableError("no_rows", n_rows=0)
    if not len(design.terms):
        raise NotEstimableError("constant_covariate", n_rows=len(rows))
    return as_spells(
        rows["time_days"].to_numpy(dtype=float),
        rows["ended"].to_numpy(),
        entry=entry if entry.any() else None,
        cluster=rows["child"].to_numpy(),
    )


def _cause_specific(spells: Spells, named: pd.DataFrame) -> CoxFit:
    return cox(replace(spells, event=(spells.event == EVENT).astype(np.int64)), named)


_MODELS: dict[str, Callable[[Spells, pd.DataFrame], CoxFit]] = {
    "cause_specific": _cause_specific,
    "subdistribution": fine_gray,
}
