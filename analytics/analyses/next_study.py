"""How large the next study should be, from what this one taught."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import pandas as pd

from analytics.analyses.context import Method, why_not
from analytics.analyses.groups import typed
from analytics.analyses.outcome_models import Fitted
from analytics.analyses.study import Study, context_of, design_of, fit
from analytics.errors import NotEstimableError
from analytics.results import ESTIMATES, Phrase, Result
from analytics.stats.power import detectable_ratio, rows_for_ratio

_REFERENCE = (
    "Schoenfeld 1983, Biometrics 39:499; Hsieh & Lavori 2000, Control Clin Trials 21:552; Kish 1965"
)

#: Ratios to be found; the same number of feet finds their inverses.
RATIOS = (1.2, 1.5, 2.0, 3.0)


def next_study(
    study: Study, *, ratios: Sequence[float] = RATIOS, powers: Sequence[float] = (0.8, 0.9)
) -> Result:
    """Return the feet that a study like this one needs to find an effect.

    Parameters
    ----------
    study
        What was stated.
    ratios
        Effects to be found.
    powers
        Chances of finding them.

    Returns
    -------
    Result
        Estimates by ``ratio_to_find``: feet for each power, at 5% two-sided, if the exposure is
        as common, the outcome as frequent, feet as alike within children and as much adjusted for
        as here. The notes give the smallest ratio that this cohort could have found, and the
        design effect. The first effect of the table is planned for.
    """
    design = design_of(study, study.asked.rows)
    method = Method(Phrase("method.next_study"), _REFERENCE)
    context = context_of(study, design, "next_study", method)
    try:
        fitted = fit(study, design)
        notes = _learnt(fitted, len(design.rows))
        se = float(fitted.se[0])
    except NotEstimableError as reason:
        notes, se = (why_not(reason),), float("nan")
    lines = []
    for ratio in ratios:
        for power in powers:
            rows = rows_for_ratio(ratio, se=se, n=len(design.rows), power=power)
            lines.append(
                {
                    "ratio_to_find": float(ratio),
                    "measure": f"rows_needed_{round(100 * power)}",
                    "n": len(design.rows),
                    "denominator": len(design.rows),
                    "numerator": pd.NA,
                    "estimate": np.ceil(rows),
                    "lower": np.nan,
                    "upper": np.nan,
                    "outside": 0,
                    "immature": 0,
                    "unknown": 0,
                }
            )
    columns = ["ratio_to_find", *ESTIMATES.columns]
    frame = typed(pd.DataFrame(lines, columns=columns), ESTIMATES, ("ratio_to_find",))
    context = replace(context, notes=(*context.notes, *notes))
    return Result(ESTIMATES, frame, context, ("ratio_to_find",))


def _learnt(fitted: Fitted, n: int) -> tuple[Phrase, ...]:
    smallest = detectable_ratio(se=float(fitted.se[0]), power=0.8)
    naive = float(fitted.naive[0, 0])
    notes = [Phrase("note.detectable", {"ratio": round(smallest, 2)})]
    if naive > 0:
        effect = float(fitted.covariance[0, 0]) / naive
        notes.append(Phrase("note.design_effect", {"effect": round(effect, 2)}))
    return tuple(notes)
