"""Whether a quarter differs from the others by more than chance."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import pandas as pd

from analytics.analyses import indicators
from analytics.analyses.context import Method, describe, name_own, why_not
from analytics.analyses.groups import join, typed
from analytics.courses.cohort import Cohort
from analytics.definitions.indicator import Indicator
from analytics.errors import NotEstimableError
from analytics.results import TREND, Context, Phrase, Result, Share
from analytics.stats.funnel import outside
from analytics.stats.trend import exact_chart, false_alarm_rates, rule_signals

METHOD = Method(
    Phrase("method.trend"),
    "Shewhart 1931; Laney 2002, Qual Eng 14:531; NIST/SEMATECH e-Handbook, section 6.3.3",
)

#: Points of a series to the chance of each false signal.
_Chances = dict[int, dict[str, float]]

#: Rules in the order in which they name a point that sets off several.
SIGNALS = {
    "beyond_limit": ("high", "low"),
    "long_run": ("run", "run"),
    "two_of_three": ("near_limit", "near_limit"),
    "steady_trend": ("steady", "steady"),
}


def trend(cohort: Cohort, indicator: Indicator, *, seed: int = 20260101) -> Result:
    """Return an indicator of the network by quarter of the first cast, between control limits.

    Parameters
    ----------
    cohort
        Feet at the cut-off.
    indicator
        A share (p chart) or a ratio of counts (u chart).
    seed
        For the chance of a false signal, which is simulated.

    Returns
    -------
    Result
        A trend. Quarters with a unit still too recent for an answer are left out, so that a
        quarter's figure rests on all who began in it. A quarter without units has no estimate.
        Limits are exact, leave 0.135% on either side as three standard errors would, and
        allow for each quarter's own size; they widen where quarters vary by more than chance,
        and never narrow.
    """
    return _charted(cohort, indicator, by=(), clinics=(), seed=seed)


def trend_of_clinics(
    cohort: Cohort, indicator: Indicator, *, clinics: Sequence[str] = (), seed: int = 20260101
) -> Result:
    """Return the same for each clinic against its own mean.

    Parameters
    ----------
    cohort, indicator, seed
        As in ``trend``.
    clinics
        Which; all when not given.
    """
    return _charted(cohort, indicator, by=("clinic",), clinics=clinics, seed=seed)


def charts_of_clinics(
    cohort: Cohort, indicator: Indicator, *, seed: int = 20260101
) -> dict[str, Result]:
    """Return the chart of each clinic as a result of its own, by clinic.

    Parameters
    ----------
    cohort, indicator, seed
        As in ``trend``.
    """
    counts, late = _counted(cohort, indicator, ("clinic",))
    charts = {}
    of_clinic = dict(list(cohort.feet.groupby("clinic", sort=True)))
    chances: _Chances = {}
    for clinic, part in counts.groupby("clinic", sort=True):
        table, found = _drawn(_every_quarter(part, ()), indicator)
        context = _context(cohort, of_clinic[clinic], indicator)
        notes = _say_all(indicator, late, [found], (len(table), seed, chances))
        context = replace(context, notes=(*context.notes, *notes), seed=seed)
        frame = table.reindex(columns=[*TREND.columns])
        charts[str(clinic)] = Result(TREND, typed(frame, TREND, ()), context)
    return charts


def _charted(
    cohort: Cohort, indicator: Indicator, *, by: Sequence[str], clinics: Sequence[str], seed: int
) -> Result:
    left, late = _counted(cohort, indicator, by, clinics)
    series = [part for _, part in left.groupby(list(by), sort=True)] if by else [left]
    drawn = [_drawn(_every_quarter(part, by), indicator) for part in series if len(part)]
    frame = join([table for table, _ in drawn], TREND).reindex(columns=[*by, *TREND.columns])
    longest = max([len(table) for table, _ in drawn], default=0)
    feet = cohort.feet
    kept = feet.loc[feet["clinic"].isin(list(clinics))] if clinics else feet
    context = _context(cohort, kept, indicator)
    notes = _say_all(indicator, late, [found for _, found in drawn], (longest, seed, {}))
    context = replace(context, notes=(*context.notes, *notes), seed=seed)
    beside = {"children": _children(kept)} if by else {}
    return Result(TREND, typed(frame, TREND, by), context, tuple(by), beside)


def _counted(
    cohort: Cohort, indicator: Indicator, by: Sequence[str], clinics: Sequence[str] = ()
) -> tuple[pd.DataFrame, int]:
    """Return the counts of each quarter in which nobody is too recent, and how many are not."""
    counts = indicators.estimates(cohort, [indicator], by=[*by, "quarter"]).frame
    if clinics:
        counts = counts.loc[counts["clinic"].isin(list(clinics))]
    return _mature(counts.rename(columns={"quarter": "period"}), by)


def _say_all(
    indicator: Indicator,
    late: int,
    found: Sequence[float | Phrase],
    chance: tuple[int, int, _Chances],
) -> tuple[Phrase, ...]:
    longest, seed, chances = chance
    return (
        *([Phrase("note.quarters_immature", {"n": late})] if late else []),
        *([Phrase("note.follow_up_differs")] if indicator.rests_on_follow_up else []),
        *_tell(found),
        *(_false_alarms((longest, len(found)), seed, chances) if longest > 1 else ()),
    )


def _mature(counts: pd.DataFrame, by: Sequence[str]) -> tuple[pd.DataFrame, int]:
    """Return the quarters in which nobody is too recent, and how many are left out."""
    recent = counts["immature"].gt(0).to_numpy(dtype=bool)
    late = counts.loc[recent, "period"].unique()
    # Cut for all alike: a clinic must not be told a quarter earlier than the network.
    return counts.loc[~counts["period"].isin(late)], len(late)


def _every_quarter(part: pd.DataFrame, by: Sequence[str]) -> pd.DataFrame:
    """Return one row per quarter from the first to the last; one without units has counts of 0."""
    table = part.set_index("period")[["numerator", "denominator"]]
    periods = pd.period_range(table.index.min(), table.index.max(), freq="Q").astype(str)
    # A curve or a quantile has no numerator to count.
    full = table.reindex(periods).rename_axis("period").reset_index()
    absent = ~full["period"].isin(table.index)
    full.loc[absent, ["numerator", "denominator"]] = 0
    return full.assign(**{name: part[name].iloc[0] for name in by})


def _drawn(table: pd.DataFrame, indicator: Indicator) -> tuple[pd.DataFrame, float | Phrase]:
    """Return points and limits of one series, and how far they widen or why there are none."""
    size = table["denominator"].to_numpy(dtype=float)
    try:
        if table["numerator"].isna().any():
            raise NotEstimableError("not_a_count", n_periods=len(table))
        count = table["numerator"].to_numpy(dtype=float)
        chart, z = exact_chart(count, size, binomial=indicator.kind == "share")
    except NotEstimableError as reason:
        blank = dict.fromkeys(("centre", "lower_limit", "upper_limit"), np.nan)
        with np.errstate(divide="ignore", invalid="ignore"):
            share = table["numerator"].astype("Float64").to_numpy(float, np.nan) / size
        plain = np.where(size > 0, share, np.nan)
        return table.assign(estimate=plain, signal=pd.NA, **blank), why_not(reason)
    table = table.assign(
        estimate=chart.rate,
        centre=chart.centre,
        lower_limit=chart.lower,
        upper_limit=chart.upper,
        signal=name_signals(z, outside(chart.rate, (chart.lower, chart.upper))),
    )
    return table, chart.sigma_z


def name_signals(z: np.ndarray, beyond: np.ndarray) -> np.ndarray:
    """Return the signal of each point: the first rule of ``SIGNALS`` that it sets off."""
    found = rule_signals(z).assign(beyond_limit=beyond != 0)
    named = np.full(len(z), "none", dtype=object)
    for rule, (above, below) in reversed(SIGNALS.items()):
        named = np.where(found[rule], np.where(z > 0, above, below), named)
    return named


def _false_alarms(size: tuple[int, int], seed: int, chances: _Chances) -> tuple[Phrase, ...]:
    n_points, n_series = size
    if n_points not in chances:
        chances[n_points] = false_alarm_rates(n_points, rng=np.random.default_rng(seed))
    chance = chances[n_points]
    values = {name: Share(share) for name, share in chance.items()}
    said = Phrase("note.false_alarms", {"n": n_points, **values})
    if n_series < 2:
        return (said,)
    return (said, Phrase("note.many_series", {"n": n_series, "expected": n_series * chance["any"]}))


def _context(cohort: Cohort, feet: pd.DataFrame, indicator: Indicator) -> Context:
    context = describe(cohort, f"trend_{indicator.code}", feet, method=METHOD, unit=indicator.unit)
    never = int(feet["quarter"].isna().sum())
    return replace(
        name_own(context, cohort, [indicator]),
        population=Phrase("population.trend"),
        exclusions=(("no_cast_recorded", never),) if never else (),
    )


def _children(feet: pd.DataFrame) -> pd.DataFrame:
    return feet.groupby("clinic")["child"].nunique().rename("children").reset_index()


def _tell(found: Sequence[float | Phrase]) -> list[Phrase]:
    """Return one note on limits that widen, and each reason for having none once."""
    reasons = {str(why.values["why"]): why for why in found if isinstance(why, Phrase)}
    wider = [times for times in found if not isinstance(times, Phrase) and times > 1]
    if len(found) > 1:
        return [Phrase("note.laney_some", {"n": len(wider), "of": len(found)}), *reasons.values()]
    if wider:
        return [Phrase("note.laney", {"times": round(wider[0], 2)})]
    return list(reasons.values()) or [Phrase("note.no_laney")]
