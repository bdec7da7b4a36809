"""Whether an answer hangs on the definition of the outcome, on who is asked, or on the model."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import replace

import numpy as np
import pandas as pd

from analytics.analyses.context import Method, why_not
from analytics.analyses.design import Design, effects_frame
from analytics.analyses.groups import typed
from analytics.analyses.outcome_models import MODELS, Fitted, ratios
from analytics.analyses.study import Study, context_of, design_of, fit
from analytics.definitions.hypotheses import SUBSETS, find_variants
from analytics.definitions.labels import labels
from analytics.definitions.rules import evaluate
from analytics.errors import NotEstimableError
from analytics.results import EFFECTS, Phrase, Result

Answer = tuple[Design, Fitted]
Make = Callable[[], Answer]

#: The answer as it was first given, beside which the others stand.
STATED = "as_stated"


def definitions(study: Study) -> Result:
    """Return the answer under other definitions of the outcome, and among fewer feet.

    Returns
    -------
    Result
        Effects by ``definition``: as stated; every other definition of the same outcome; then the
        stated one among subsets of the feet, and with one foot of each child.
    """
    makes: dict[str, Make] = {STATED: lambda: _answer(study)}
    for outcome in find_variants(study.outcome, study.indicators):
        makes[outcome.code] = lambda outcome=outcome: _answer(  # type: ignore[misc]
            Study(study.cohort, study.hypothesis, outcome, study.indicators)
        )
    for name, rule in SUBSETS.items():
        makes[name] = lambda rule=rule: _subset(study, rule)  # type: ignore[misc]
    makes["first_foot"] = lambda: _one_foot(study)
    method = Method(Phrase("method.definitions"), "")
    return side_by_side(study, "definition", makes, method)


def models(study: Study) -> Result:
    """Return the answer by other models of the same outcome.

    Returns
    -------
    Result
        Effects by ``model``; last the model of the answer with nothing held equal, on the same
        feet. A ratio of odds, or of rates, is another measure than the one
        stated: compare directions and intervals, not sizes.
    """
    makes: dict[str, Make] = {
        name: lambda model=model: _by_model(study, model)  # type: ignore[misc]
        for name, model in MODELS[study.outcome.kind].items()
    }
    makes["unadjusted"] = lambda: _unadjusted(study)
    references = (
        "Odell et al. 1992, Biometrics 48:951 (intervals); Huang 2017, Stat Model 17:359 (counts)"
    )
    return side_by_side(study, "model", makes, Method(Phrase("method.families"), references))


def side_by_side(
    study: Study,
    column: str,
    makes: Mapping[str, Make],
    method: Method,
    *,
    seed: int | None = None,
) -> Result:
    """Return several answers in one table; one that fails is blank and says why in a note.

    Parameters
    ----------
    study
        What was stated.
    column
        Name of the group column.
    makes
        Name of each answer to what makes it.
    method
        Words, citation and notes.
    seed
        Of any random step.
    """
    base = design_of(study, study.asked.rows)
    context = context_of(study, base, f"answer_{study.outcome.kind}", method)
    parts, notes = [], []
    for name, make in makes.items():
        try:
            design, fitted = make()
            part = _frame(design, pd.DataFrame(ratios(fitted)))
        except NotEstimableError as reason:
            nothing = pd.DataFrame(np.nan, index=range(len(base.terms)), columns=_FIGURES)
            blank = pd.array([pd.NA] * int(base.terms["is_shown"].sum()), dtype="Int64")
            part = _frame(base, nothing).assign(n=blank, events=blank)
            values = {"which": _name(column, name), "why": why_not(reason)}
            notes.append(Phrase("note.one_not_estimable", values))
        parts.append(part.assign(**{column: name}))
    empty = pd.DataFrame(columns=[column, *EFFECTS.columns])
    frame = pd.concat(parts, ignore_index=True) if parts else empty
    context = replace(context, notes=(*context.notes, *notes), seed=seed)
    return Result(EFFECTS, typed(frame, EFFECTS, (column,)), context, (column,))


def _name(column: str, name: str) -> Phrase:
    """Return the words of one answer; another definition may be an indicator."""
    keys = (f"level.{column}.{name}", f"level.{name}", f"measure.{name}")
    return Phrase(next(key for key in keys if key in labels("en")))


_FIGURES = ["estimate", "lower", "upper", "p"]


def _frame(design: Design, figures: pd.DataFrame) -> pd.DataFrame:
    return effects_frame(design, design.rows["event"].to_numpy(dtype=float), figures)


def _answer(study: Study) -> Answer:
    design = design_of(study, study.asked.rows)
    return design, fit(study, design)


def _subset(study: Study, rule: str) -> Answer:
    rows = study.asked.rows
    inside = evaluate(rule, rows, study.cohort.protocol).fillna(False)
    design = design_of(study, rows.loc[inside])
    return design, fit(study, design)


def _one_foot(study: Study) -> Answer:
    rows = study.asked.rows
    ordered = rows.sort_values(["child", "started_on", "side"], kind="stable")
    design = design_of(study, ordered.drop_duplicates("child").sort_index())
    return design, fit(study, design)


def _unadjusted(study: Study) -> Answer:
    rows = design_of(study, study.asked.rows).rows
    bare = replace(study, hypothesis=replace(study.hypothesis, adjust=(), subgroup=""))
    design = design_of(bare, rows)
    return design, fit(bare, design)


def _by_model(study: Study, model: Callable[..., Fitted]) -> Answer:
    design = design_of(study, study.asked.rows)
    return design, fit(study, design, model)
