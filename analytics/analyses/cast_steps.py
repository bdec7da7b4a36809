"""Corrected at which cast, with unfinished series counted for as long as they went."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import pandas as pd

from analytics.analyses.context import Method, describe, why_not
from analytics.analyses.curves import stack_curves
from analytics.analyses.groups import typed
from analytics.courses.cohort import Cohort
from analytics.errors import NotEstimableError
from analytics.results import ESTIMATES, Context, Phrase, Result, Share
from analytics.stats.steps import StepModel, fit_steps, mean_steps, step_chances
from analytics.stats.survival import SurvivalCurve, kaplan_meier

_CURVE_METHOD = Method(Phrase("method.cast_curve"), "Kaplan & Meier 1958, J Am Stat Assoc 53:457")
_METHOD = Method(
    Phrase("method.cast_steps"),
    "Prentice & Gloeckler 1978, Biometrics 34:57",
    (Phrase("note.score_error"),),
)

#: State of a foot whose first series has not reached correction.
STATE = "correction_free"
#: Reasons for which a foot has no casts to count.
LEFT_OUT = ("no_cast_recorded", "casts_not_known")

#: A smaller share than this is not worth a note: it would be written as nothing.
LEAST_TOLD = 0.0005


def curve(cohort: Cohort, *, by: Sequence[str] = ()) -> Result:
    """Return the share of feet not yet corrected after each cast, clustered by child.

    Parameters
    ----------
    cohort
        Feet at the cut-off.
    by
        Columns of the foot that split the curve.

    Returns
    -------
    Result
        A curve in casts; an unfinished series is censored after its last cast.
    """
    rows, exclusions = find_begun(cohort)
    context = _described(cohort, rows, exclusions, (_CURVE_METHOD, "correction_curve"))
    parts = list(rows.groupby(list(by), sort=True)) if by else [((), rows)]
    fits, notes = [], []
    for key, part in parts:
        try:
            fits.append(
                (
                    dict(zip(by, key, strict=True)),
                    kaplan_meier(
                        part["n_casts"].to_numpy(dtype=float),
                        part["is_corrected"].to_numpy(dtype=bool),
                        cluster=part["child"].to_numpy(),
                    ),
                )
            )
        except NotEstimableError as reason:
            notes.append(why_not(reason))
    return lay_out(context, fits, notes, by=by)


def lay_out(
    context: Context,
    fits: Sequence[tuple[dict[str, str], SurvivalCurve]],
    notes: Sequence[Phrase],
    *,
    by: Sequence[str] = (),
) -> Result:
    """Return fitted curves over casts, each with the levels of its group, as a result."""
    steps = [_steps(fitted).assign(**labels) for labels, fitted in fits]
    return stack_curves(replace(context, time_unit="cast"), steps, notes, by)


def estimates(cohort: Cohort, *, score: str = "pirani_start") -> Result:
    """Return the casts to expect at each value of the initial score.

    Parameters
    ----------
    cohort
        Feet at the cut-off.
    score
        Column of the initial score.

    Returns
    -------
    Result
        Estimates by the score: ``casts_expected`` from the chance of correction at each cast
        (all series begun, unfinished ones censored), ``casts_finished`` the mean of corrected
        feet alone by the same model, to show what leaving the others out would say.
    """
    rows, exclusions = find_begun(cohort)
    context = _described(cohort, rows, exclusions, (_METHOD, "cast_prediction"))
    missing = int(rows[score].isna().sum())
    if missing:
        context = replace(context, exclusions=(*context.exclusions, (f"missing_{score}", missing)))
    rows = rows.loc[rows[score].notna(), ["child", "n_casts", "is_corrected", score]]
    values = rows[score].to_numpy(dtype=float)
    points, group = np.unique(values, return_inverse=True)
    done = rows["is_corrected"].to_numpy(dtype=bool)
    try:
        of_all, of_done = _fit(rows, score), _fit(rows.loc[done], score)
        parts = [
            _expected(of_all, group, points, score=score, measure="casts_expected"),
            _expected(of_done, group[done], points, score=score, measure="casts_finished"),
        ]
        beyond = _beyond(of_all, score, float(np.median(values)))
        context = replace(context, notes=(*context.notes, *beyond))
    except NotEstimableError as reason:
        parts = [pd.DataFrame(columns=[score, *ESTIMATES.columns])]
        context = replace(context, notes=(*context.notes, why_not(reason)))
    frame = typed(pd.concat(parts, ignore_index=True), ESTIMATES, (score,))
    return Result(ESTIMATES, frame.astype({score: "Float64"}), context, (score,))


def describe_curve(cohort: Cohort) -> Context:
    """Return what stands beside the curve of casts, without a foot counted."""
    return _described(cohort, cohort.feet.iloc[:0], (), (_CURVE_METHOD, "correction_curve"))


def find_begun(cohort: Cohort) -> tuple[pd.DataFrame, tuple[tuple[str, int], ...]]:
    """Return feet with a cast, and every other foot counted by reason."""
    feet = cohort.feet
    started = feet["started_on"].notna()
    known = feet["n_casts"].ge(1).fillna(False) & feet["is_corrected"].notna()
    out = zip(LEFT_OUT, (int((~started).sum()), int((started & ~known).sum())), strict=True)
    return feet.loc[started & known], tuple(pair for pair in out if pair[1])


def _described(
    cohort: Cohort,
    rows: pd.DataFrame,
    exclusions: tuple[tuple[str, int], ...],
    asked: tuple[Method, str],
) -> Context:
    return replace(
        describe(cohort, asked[1], rows, method=asked[0]),
        population=Phrase("population.cast_steps"),
        n_events=int(rows["is_corrected"].sum()),
        exclusions=exclusions,
    )


def _steps(fitted: SurvivalCurve) -> pd.DataFrame:
    first = {"time": 0.0, "at_risk": fitted.n, "events": 0, "censored": 0}
    start = pd.DataFrame([first | dict.fromkeys(("estimate", "lower", "upper"), 1.0)])
    later = pd.DataFrame(
        {
            "time": fitted.times,
            "at_risk": fitted.at_risk,
            "events": fitted.events,
            "censored": fitted.censored,
            "estimate": fitted.estimate,
            "lower": fitted.lower,
            "upper": fitted.upper,
        }
    )
    return pd.concat([start, later], ignore_index=True).assign(state=STATE)


def _fit(rows: pd.DataFrame, score: str) -> StepModel:
    return fit_steps(
        rows["n_casts"].to_numpy(dtype=float),
        rows["is_corrected"].to_numpy(dtype=bool),
        rows[[score]].to_numpy(dtype=float),
        cluster=rows["child"].to_numpy(),
    )


def _expected(
    model: StepModel, group: np.ndarray, points: np.ndarray, *, score: str, measure: str
) -> pd.DataFrame:
    at = mean_steps(model, points[:, None])
    n = np.bincount(group, minlength=len(points))
    return pd.DataFrame(
        {
            score: points,
            "measure": measure,
            "n": n,
            "denominator": n,
            "numerator": pd.NA,
            "estimate": at.estimate,
            "lower": at.lower,
            "upper": at.upper,
            "outside": 0,
            "immature": 0,
            "unknown": 0,
        }
    )


def _beyond(model: StepModel, score: str, middle: float) -> tuple[Phrase, ...]:
    """Say how many feet of the middle score would not be corrected by the last cast, if any."""
    last = step_chances(model, [[middle]]).iloc[-1]
    share = float(last["not_yet"])
    values = {"score": middle, "last": int(last["step"]), "share": Share(share)}
    return (Phrase("note.beyond_last_cast", values),) if share > LEAST_TOLD else ()
