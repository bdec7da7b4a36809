"""How the answer moves with the definition of relapse."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import pandas as pd

from analytics.analyses.context import Method, describe
from analytics.analyses.followed import find_reached, follow
from analytics.analyses.groups import typed
from analytics.analyses.time_to import fit_curve
from analytics.courses.cohort import Cohort
from analytics.definitions.endpoints import RELAPSE_VARIANTS, Endpoint
from analytics.results import ESTIMATES, Phrase, Result
from analytics.stats.curve_reading import read_curve

_METHOD = Method(
    Phrase("method.kaplan_meier"),
    "Kaplan & Meier 1958, J Am Stat Assoc 53:457",
    (Phrase("note.definition_moves"),),
)


def estimates(
    cohort: Cohort,
    *,
    variants: Sequence[Endpoint] = RELAPSE_VARIANTS,
    horizons: Sequence[int] = (365, 730, 1096),
) -> Result:
    """Return the share free of relapse at fixed times under each published definition.

    Parameters
    ----------
    cohort
        Feet at the cut-off.
    variants
        Definitions, as endpoints.
    horizons
        Days after the origin.

    Returns
    -------
    Result
        Estimates by ``definition``, one measure per horizon; ``denominator`` is the feet in the
        curve. Missing where fewer children than the protocol's few are still followed.
    """
    measures = {f"free_{days}d": days for days in horizons}
    parts = [_read(cohort, variant, measures) for variant in variants]
    first = follow(cohort, variants[0])
    _, unmet = find_reached(first.rows, measures, needed=cohort.protocol.few_children)
    frame = typed(pd.concat(parts, ignore_index=True), ESTIMATES, ("definition",))
    context = describe(cohort, "relapse_definitions", cohort.feet, method=_METHOD)
    context = replace(context, exclusions=first.exclusions, notes=(*context.notes, *unmet))
    return Result(ESTIMATES, frame, context, groups=("definition",))


def _read(cohort: Cohort, variant: Endpoint, measures: dict[str, int]) -> pd.DataFrame:
    rows = follow(cohort, variant).rows
    n, used = len(cohort.feet), len(rows)
    begun = int(cohort.feet[variant.origin].notna().sum())
    lines = pd.DataFrame(
        {
            "definition": variant.code,
            "measure": list(measures),
            "n": n,
            "denominator": used,
            "numerator": pd.array([pd.NA] * len(measures), dtype="Int64"),
            "outside": n - begun,
            "immature": 0,
            "unknown": begun - used,
        }
    )
    figures = pd.DataFrame(np.nan, index=lines.index, columns=["estimate", "lower", "upper"])
    if rows["child"].nunique() > 1:
        figures = read_curve(fit_curve(rows), list(measures.values()))[
            ["estimate", "lower", "upper"]
        ]
    reached, _ = find_reached(rows, measures, needed=cohort.protocol.few_children)
    figures.loc[~reached] = np.nan
    return pd.concat([lines, figures], axis=1)
