"""Whether a clinic drifts: risk-adjusted running sums, child by child."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from analytics.analyses.clinics import find_case_mix
from analytics.analyses.context import Method, describe, name_own, why_not
from analytics.analyses.groups import join, typed
from analytics.analyses.verdicts import find_verdicts, first_feet
from analytics.courses.cohort import Cohort
from analytics.definitions.indicator import Indicator
from analytics.errors import NotEstimableError
from analytics.results import TREND, Phrase, Result
from analytics.stats.case_mix import shrunken_logistic
from analytics.stats.cusum import (
    limit_for_run_length,
    risk_adjusted_cusum,
    risk_draw,
    risk_weights,
)

_METHOD = Method(Phrase("method.cusum"), "Steiner et al. 2000, Biostatistics 1:441")
_N_RUNS = 2000


@dataclass(frozen=True)
class Alarm:
    """What change to find, and how seldom to be wrong.

    Parameters
    ----------
    times
        By what the odds of the unwanted answer would be multiplied.
    run_length
        Children between two false signals of a clinic that is like the network, on average.
    seed
        For the limit, which is simulated.
    """

    times: float = 2.0
    run_length: int = 500
    seed: int = 20260101


def running_sums(cohort: Cohort, indicator: Indicator, *, alarm: Alarm | None = None) -> Result:
    """Return, per clinic and quarter, how far answers have run against expectation.

    Parameters
    ----------
    cohort
        Feet at the cut-off.
    indicator
        A share; where higher is better, a fall is looked for.
    alarm
        What to find; doubled odds and a false signal in 500 children when not given.

    Returns
    -------
    Result
        A trend by clinic. ``estimate`` is the highest value of the sum within the quarter, in
        units of log-likelihood, ``upper_limit`` where it signals and starts afresh. One foot of
        each child, in order of the first cast.
    """
    asked = alarm or Alarm()
    verdict = find_verdicts(cohort, indicator)
    verdict = verdict.loc[verdict.isin(["yes", "no"])]
    rows = first_feet(cohort.feet.loc[verdict.index])
    rows = rows.loc[rows["started_on"].notna()].sort_values(["clinic", "started_on", "child"])
    yes = verdict.loc[rows.index].eq("yes").to_numpy(dtype=float)
    context = describe(cohort, f"cusum_{indicator.code}", rows, method=_METHOD, unit="child")
    context = replace(
        name_own(context, cohort, [indicator]),
        population=Phrase("population.cusum"),
        seed=asked.seed,
    )
    try:
        frame = _summed(rows, yes, _odds_ratio(indicator, asked), asked)
    except NotEstimableError as reason:
        empty = typed(join([], TREND).assign(clinic=pd.NA), TREND, ("clinic",))
        notes = (*context.notes, why_not(reason))
        return Result(TREND, empty, replace(context, notes=notes), ("clinic",))
    note = Phrase(
        "note.run_length",
        {"times": asked.times, "run_length": asked.run_length, "n": len(rows),
         "expected": round(len(rows) / asked.run_length, 1)},
    )  # fmt: skip
    children = rows.groupby("clinic")["child"].nunique().rename("children").reset_index()
    return Result(
        TREND,
        typed(frame, TREND, ("clinic",)),
        replace(context, notes=(*context.notes, note)),
        ("clinic",),
        {"children": children},
    )


def _odds_ratio(indicator: Indicator, alarm: Alarm) -> float:
    return 1 / alarm.times if indicator.better == "higher" else alarm.times


def _summed(rows: pd.DataFrame, yes: np.ndarray, odds_ratio: float, alarm: Alarm) -> pd.DataFrame:
    risk = shrunken_logistic(yes, find_case_mix(rows)).chance
    limit = limit_for_run_length(
        risk_draw(risk, odds_ratio=odds_ratio),
        run_length=alarm.run_length,
        rng=np.random.default_rng(alarm.seed),
        n_runs=_N_RUNS,
    )
    weights = risk_weights(yes, risk, odds_ratio=odds_ratio)
    table = rows[["clinic", "quarter"]].assign(yes=yes, height=np.nan, signal=False)
    for at in rows.reset_index().groupby("clinic", sort=True).indices.values():
        found = risk_adjusted_cusum(weights[at], limit=limit)
        table.iloc[at, table.columns.get_loc("height")] = found.path
        table.iloc[at[found.signals], table.columns.get_loc("signal")] = True
    grouped = table.groupby(["clinic", "quarter"], sort=True)
    frame = grouped.agg(
        numerator=("yes", "sum"),
        denominator=("yes", "size"),
        estimate=("height", "max"),
        signalled=("signal", "any"),
    ).reset_index()
    return frame.rename(columns={"quarter": "period"}).assign(
        centre=np.nan,
        lower_limit=np.nan,
        upper_limit=limit,
        signal=np.where(frame["signalled"], "high", "none"),
    )
