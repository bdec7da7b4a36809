"""From a number back to the feet behind it, and to the lines of the exports they come from."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd

from analytics.analyses.verdicts import VERDICTS, find_presumed, find_verdicts
from analytics.courses.cohort import Cohort
from analytics.definitions.codes import PURPOSES
from analytics.definitions.indicator import Indicator
from analytics.definitions.indicator_checks import find_names
from analytics.definitions.rules import find_values
from analytics.intake.frames import stack_frames
from analytics.intake.kept import Kept

#: Where a visit was read.
ADDRESS = ("file", "sheet", "line")


def trace(
    cohort: Cohort,
    indicator: Indicator,
    parts: Sequence[Kept],
    *,
    clinic: str = "",
    quarter: str = "",
) -> pd.DataFrame:
    """Return every foot under an indicator with its verdict and its source lines.

    Parameters
    ----------
    cohort
        Feet at the cut-off.
    indicator
        Of any kind; a curve is read as a share of the feet that have reached its horizon.
    parts
        Where the visits are.
    clinic, quarter
        Where and when the foot counts; a child counts where its first foot does. Empty for all.

    Returns
    -------
    DataFrame
        One row per visit of each foot asked: ``verdict, lost, child, side, clinic, quarter``, the
        columns that the rule names, then ``visited_on, purpose, file, sheet, line``. Feet of one
        child share its verdict where children are counted. Ordered yes, no, unknown, immature;
        those outside come last.
    """
    verdict = find_verdicts(cohort, indicator)
    lost = find_presumed(cohort, indicator) | verdict.eq("unknown").to_numpy(dtype=bool)
    units = cohort.feet.loc[verdict.index, ["child", "clinic", "quarter"]]
    units = units.assign(verdict=verdict, lost=lost.astype("boolean"))
    for column, wanted in (("clinic", clinic), ("quarter", quarter)):
        if wanted:
            units = units.loc[units[column].eq(wanted).fillna(False).to_numpy(dtype=bool)]
    key = ["child"] if indicator.unit == "child" else ["child", "side"]
    named = _named(cohort, indicator)
    feet = cohort.feet[["child", "side"]].assign(**named)
    if indicator.unit == "foot":
        units = units.assign(side=cohort.feet.loc[units.index, "side"])
    asked = feet.merge(units, on=key, how="inner")
    visits = _find_visits(cohort, asked, parts)
    lines = asked.merge(visits, on=["child", "side"], how="left")
    order = {name: place for place, name in enumerate(reversed(VERDICTS))}
    lines = lines.assign(order=lines["verdict"].map(order).astype("int64"))
    lines = lines.sort_values(["order", "child", "side", "visited_on"], kind="stable")
    first = ["verdict", "lost", "child", "side", "clinic", "quarter"]
    columns = [*first, *named, "visited_on", "purpose", *ADDRESS]
    return lines[columns].reset_index(drop=True)


def count_units(lines: pd.DataFrame, indicator: Indicator) -> dict[str, int]:
    """Return how many units of an indicator have each verdict among traced lines."""
    key = ["child"] if indicator.unit == "child" else ["child", "side"]
    units = lines.drop_duplicates(key)
    return {name: int(units["verdict"].eq(name).sum()) for name in reversed(VERDICTS)}


def _find_visits(cohort: Cohort, asked: pd.DataFrame, parts: Sequence[Kept]) -> pd.DataFrame:
    """Return the visits of some feet until the cut-off, those of a day in order of purpose."""
    columns = ["child", "side", "visited_on", "purpose", *ADDRESS]
    read = (part.read("visits", columns) for part in parts)
    visits = stack_frames([frame[frame["child"].isin(asked["child"])] for frame in read])
    visits = visits[visits["visited_on"].le(pd.Timestamp(cohort.cut_off))]
    purpose = pd.Categorical(visits["purpose"], categories=PURPOSES).codes
    return visits.iloc[np.argsort(purpose, kind="stable")]


def _named(cohort: Cohort, indicator: Indicator) -> dict[str, pd.Series]:
    """Return the values of the columns that decide, by name."""
    feet = cohort.feet
    known = [n for n in find_names(indicator) if n in feet.columns or n.startswith("days_")]
    always = ("child", "side", "clinic", "quarter")
    return {name: find_values(name, feet) for name in known if name not in always}
