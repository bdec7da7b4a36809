"""The answers to a stated hypothesis: flow, effect, subgroup, and the rows behind them."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
from scipy import stats

from analytics.analyses.context import Method, why_not
from analytics.analyses.design import Design, effects_frame
from analytics.analyses.groups import typed
from analytics.analyses.outcome_models import Fitted, ratios
from analytics.analyses.outcomes import find_outside
from analytics.analyses.study import (
    Study,
    basis_of,
    context_of,
    cut_of,
    design_of,
    events_of,
    fit,
    in_levels,
    less,
    method_of,
)
from analytics.analyses.verdicts import first_feet
from analytics.definitions.hypotheses import FEWEST_EVENTS_PER_TERM
from analytics.errors import NotEstimableError
from analytics.results import EFFECTS, FLOW, Phrase, PValue, Result


def flow(study: Study) -> Result:
    """Return how many units were asked, answered, and have every value that the model needs."""
    asked = study.asked
    design = design_of(study, asked.rows)
    steps = (
        ("eligible", asked.n_units, asked.outside),
        ("answered", less(asked.n_units, asked.outside), asked.unanswered),
        ("complete", len(asked.rows), design.exclusions),
    )
    lines = [
        {"step": step, "n_in": n_in, "n_out": less(n_in, reasons), "reason": name, "n_reason": n}
        for step, n_in, reasons in steps
        for name, n in reasons or (("none", 0),)
    ]
    context = context_of(study, design, "hypothesis_flow", Method(Phrase("method.count")))
    return Result(FLOW, typed(pd.DataFrame(lines), FLOW, ()), context)


def effects(study: Study) -> Result:
    """Return the answer: ratios of the outcome by the exposure, clustered by child.

    Returns
    -------
    Result
        Effects of the exposure alone: what is adjusted for answers no question that was asked.
        Notes say what was held equal, and where there are too few events.
    """
    design = design_of(study, study.asked.rows)
    context = context_of(study, design, f"answer_{study.outcome.kind}", method_of(study))
    context = replace(context, notes=basis_of(study))
    try:
        fitted = fit(study, design)
    except NotEstimableError as reason:
        context = replace(context, notes=(*context.notes, why_not(reason)))
        return Result(EFFECTS, effects_frame(design, events_of(design), _nothing(design)), context)
    frame = effects_frame(design, events_of(design), pd.DataFrame(ratios(fitted)))
    notes = (*context.notes, *_followed(study, design), *_few(design, fitted))
    return Result(EFFECTS, frame, replace(context, notes=notes))


def subgroup_effects(study: Study) -> Result:
    """Return the effect within each level of the subgroup, and whether the levels differ.

    Returns
    -------
    Result
        Effects by the subgroup (a number is split at its middle), from one model with the
        exposure apart in each level; the notes give the test of no difference between levels.
        Empty, with a note, when no subgroup was stated.
    """
    name = study.hypothesis.subgroup
    design = design_of(study, study.asked.rows)
    if not name:
        method = Method(Phrase("method.count"), notes=(Phrase("note.no_subgroup"),))
        context = context_of(study, design, f"answer_{study.outcome.kind}", method)
        return Result(
            EFFECTS, typed(pd.DataFrame(columns=list(EFFECTS.columns)), EFFECTS, ()), context
        )
    level = in_levels(design.rows[name])
    method = Method(Phrase("method.interaction"), "Wald test; Altman & Bland 2003, BMJ 326:219")
    context = context_of(study, design, f"answer_{study.outcome.kind}", method)
    levels = sorted(level.unique())
    apart = _apart(design, level, levels)
    n_exposure = _n_exposure(design)
    try:
        if len(levels) < 2:
            raise NotEstimableError("one_group", n_groups=len(levels))
        fitted = fit(study, apart)
        table = pd.DataFrame(ratios(fitted))
        notes: tuple[Phrase, ...] = (_interaction(fitted, n_exposure, len(levels)),)
    except NotEstimableError as reason:
        table = _nothing(apart)
        notes = (why_not(reason),)
    parts = []
    for place, one in enumerate(levels):
        which = level.eq(one).to_numpy()
        own = replace(design, rows=design.rows.loc[which], matrix=design.matrix[which])
        own = replace(own, terms=_counted(own))
        figures = table.iloc[place * n_exposure : (place + 1) * n_exposure]
        rest = _nothing(design).iloc[n_exposure:]
        figures = pd.concat([figures, rest], ignore_index=True)
        parts.append(effects_frame(own, events_of(own), figures).assign(**{name: one}))
    frame = pd.concat(parts, ignore_index=True) if parts else pd.DataFrame(columns=[name])
    cut = cut_of(design.rows, name)
    context = replace(context, notes=(*context.notes, *cut, *notes))
    frame = frame.reindex(columns=[name, *EFFECTS.columns])
    return Result(EFFECTS, typed(frame, EFFECTS, (name,)), context, (name,))


def derive_study(study: Study) -> pd.DataFrame:
    """Return the feet with the columns of a study (``definitions.hypotheses.STUDY_COLUMNS``).

    A reader who fits the model to the rows at stage ``complete`` gets the answer of `effects`.
    Under an outcome of children a foot that does not stand for its child has no stage.
    """
    feet, asked = study.cohort.feet, study.asked
    design = design_of(study, asked.rows)
    stage = pd.Series("unanswered", index=feet.index, dtype="string")
    stage.loc[find_outside(study.cohort, study.outcome)] = "outside"
    if asked.unit == "child":
        stage.loc[feet.index.difference(first_feet(feet).index)] = pd.NA
    stage.loc[asked.rows.index] = "incomplete"
    stage.loc[design.rows.index] = "complete"
    rows = asked.rows.reindex(feet.index)
    days = {
        f"study_{name}": rows[name].round().astype("Int64")
        if name in rows
        else pd.Series(pd.NA, index=feet.index, dtype="Int64")
        for name in ("entry_days", "time_days")
    }
    return feet.assign(
        study_stage=stage,
        study_event=rows["event"].astype("Float64"),
        study_size=rows["size"].astype("Float64"),
        **days,
    )


def _n_exposure(design: Design) -> int:
    return int(design.terms["is_shown"].sum())


def _nothing(design: Design) -> pd.DataFrame:
    columns = ["estimate", "lower", "upper", "p"]
    return pd.DataFrame(np.nan, index=range(len(design.terms)), columns=columns)


def _apart(design: Design, level: pd.Series, levels: list[str]) -> Design:
    """Return the design with the exposure apart in each level, and the levels themselves."""
    k = _n_exposure(design)
    inside = [level.eq(one).to_numpy(dtype=float)[:, None] for one in levels]
    exposure = [design.matrix[:, :k] * part for part in inside]
    matrix = np.hstack([*exposure, *inside[1:], design.matrix[:, k:]])
    n_more = matrix.shape[1] - k * len(levels)
    terms = pd.concat(
        [design.terms.iloc[:k]] * len(levels)
        + [design.terms.iloc[:1].assign(is_shown=False)] * n_more,
        ignore_index=True,
    )
    return replace(design, matrix=matrix, terms=terms)


def _counted(design: Design) -> pd.DataFrame:
    """Return the terms with the units of this part of the rows."""
    n = [
        int((design.matrix[:, j] != 0).sum()) if level else len(design.rows)
        for j, level in enumerate(design.terms["level"])
    ]
    return design.terms.assign(n=n)


def _interaction(fitted: Fitted, k: int, n_levels: int) -> Phrase:
    """Test that the effect is the same in every level, by contrasts with the first."""
    own = k * n_levels
    beta, covariance = fitted.coefficients[:own], fitted.covariance[:own, :own]
    contrast = np.hstack([np.tile(-np.eye(k), (n_levels - 1, 1)), np.eye(own - k)])
    gap = contrast @ beta
    between = contrast @ covariance @ contrast.T
    statistic = float(gap @ np.linalg.solve(between, gap))
    if np.isfinite(fitted.degrees):
        p = float(stats.f.sf(statistic / gap.size, gap.size, fitted.degrees))
    else:
        p = float(stats.chi2.sf(statistic, gap.size))
    return Phrase("note.interaction", {"p": PValue(p), "terms": int(gap.size)})


def _followed(study: Study, design: Design) -> tuple[Phrase, ...]:
    """Say how long the feet of a time were followed, in all and in the middle."""
    if study.outcome.kind != "time":
        return ()
    years = (design.rows["time_days"] - design.rows["entry_days"]) / 365.25
    values = {"years": round(float(years.sum())), "middle": round(float(years.median()), 1)}
    return (Phrase("note.followed", values),)


def _few(design: Design, fitted: Fitted) -> tuple[Phrase, ...]:
    notes = []
    per_term = float(events_of(design).sum()) / max(design.matrix.shape[1], 1)
    if per_term < FEWEST_EVENTS_PER_TERM:
        notes.append(Phrase("note.few_events_per_term", {"per_term": round(per_term, 1)}))
    if np.isfinite(fitted.degrees) and fitted.degrees < 40:
        notes.append(Phrase("note.few_children"))
    return tuple(notes)
