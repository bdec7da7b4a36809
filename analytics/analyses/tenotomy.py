"""Tenotomy on the initial hindfoot score."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import pandas as pd
from scipy import stats

from analytics.analyses.casts import ADJUSTMENT
from analytics.analyses.context import Method, describe, why_not
from analytics.analyses.design import Covariate, Design, build_design, effects_frame
from analytics.courses.cohort import Cohort
from analytics.errors import NotEstimableError
from analytics.results import EFFECTS, Phrase, Result
from analytics.stats.case_mix import calibration_line
from analytics.stats.counts import logistic
from analytics.stats.marginal import MarginalFit, coefficient_interval, mean_at

_METHOD = Method(Phrase("method.tenotomy_effects"), "Liang & Zeger 1986, Biometrika 73:13")

#: Without the clinic: where every foot of one has a tenotomy its effect has no finite value.
_ADJUSTMENT = tuple(c for c in ADJUSTMENT if c.column != "clinic")

#: Whether a primary tenotomy is due is another question in a foot operated on before.
_OPERATED = ("tenotomy", "surgery")


def effects(
    cohort: Cohort, *, score: str = "hindfoot_start", adjust: Sequence[Covariate] = _ADJUSTMENT
) -> Result:
    """Return odds ratios of primary tenotomy, clustered by child.

    Of corrected feet not operated on before.

    Parameters
    ----------
    cohort
        Feet at the cut-off.
    score
        Column of the initial score.
    adjust
        Further covariates.

    Returns
    -------
    Result
        Effects as odds ratios; the notes give the calibration of the model's chances.
    """
    feet = cohort.feet
    corrected = feet["is_corrected"].fillna(False)
    operated = feet["prior_treatment"].isin(_OPERATED).fillna(False)
    asked = corrected & ~operated
    known = asked & feet["has_tenotomy"].notna()
    out = (
        ("not_corrected", int((~corrected).sum())),
        ("operated_before", int((corrected & operated).sum())),
        ("tenotomy_not_known", int((asked & ~known).sum())),
    )
    design = build_design(feet.loc[known], [Covariate(score), *adjust])
    event = design.rows["has_tenotomy"].to_numpy(dtype=float)
    context = describe(cohort, "tenotomy_effects", design.rows, method=_METHOD)
    context = replace(
        context,
        n_events=int(event.sum()),
        exclusions=(*(pair for pair in out if pair[1]), *design.exclusions),
    )
    try:
        fit = _fit(design, event)
        notes = (_calibration(fit, design, event),)
        ratios = _ratios(fit)
    except NotEstimableError as reason:
        notes = (why_not(reason),)
        names = ["estimate", "lower", "upper", "p"]
        ratios = pd.DataFrame(np.nan, index=range(len(design.terms) + 1), columns=names)
    frame = effects_frame(design, event, ratios, skip=1)
    return Result(EFFECTS, frame, replace(context, notes=(*context.notes, *notes)))


def _fit(design: Design, event: np.ndarray) -> MarginalFit:
    return logistic(event, _matrix(design), cluster=design.rows["child"].to_numpy())


def _matrix(design: Design) -> np.ndarray:
    return np.column_stack([np.ones(len(design.rows)), design.matrix])


def _ratios(fit: MarginalFit) -> pd.DataFrame:
    interval = coefficient_interval(fit)
    figures = {name: np.exp(getattr(interval, name)) for name in ("estimate", "lower", "upper")}
    se = np.sqrt(np.diag(fit.covariance))
    p = 2 * stats.t.sf(np.abs(fit.coefficients / se), fit.degrees)
    return pd.DataFrame(figures).assign(p=p)


def _calibration(fit: MarginalFit, design: Design, event: np.ndarray) -> Phrase:
    chance = mean_at(fit, _matrix(design)).estimate
    line = coefficient_interval(
        calibration_line(event, chance, cluster=design.rows["child"].to_numpy())
    )
    slope = {name: round(float(getattr(line, name)[1]), 2) for name in ("lower", "upper")}
    return Phrase("note.calibration", {"slope": round(float(line.estimate[1]), 2), **slope})
