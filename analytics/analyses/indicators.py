"""Quality indicators: shares, ratios, quantiles and curve readings with clustered intervals."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace

import numpy as np
import pandas as pd

from analytics.analyses.context import Method, describe, name_own
from analytics.analyses.followed import CENSORED, COMPETING, EVENT, follow
from analytics.analyses.groups import find_groups, join, typed
from analytics.analyses.verdicts import VERDICTS, find_verdicts
from analytics.courses.cohort import Cohort
from analytics.definitions.endpoints import ENDPOINTS
from analytics.definitions.indicator import Indicator
from analytics.definitions.rules import evaluate, find_values
from analytics.results import ESTIMATES, Phrase, Result
from analytics.stats.group_incidence import group_rows, read_groups
from analytics.stats.proportions import clustered_proportion
from analytics.stats.spread import clustered_quantile, clustered_ratio

_METHOD = Method(
    Phrase("method.indicators"),
    "Korn & Graubard 1998, Surv Methodol 24:193; Wilson 1927, J Am Stat Assoc 22:209; "
    "Woodruff 1952, J Am Stat Assoc 47:635",
)
_QUANTILES = {"median": 0.5, "p25": 0.25, "p75": 0.75, "p90": 0.9}


def estimates(
    cohort: Cohort,
    indicators: Sequence[Indicator],
    *,
    by: Sequence[str] = (),
    question: str = "indicators",
) -> Result:
    """Return every indicator for the network, or by columns of the foot.

    Parameters
    ----------
    cohort
        Feet at the cut-off.
    indicators
        What to count.
    by
        Columns of the foot, such as ``clinic`` or ``quarter``; a child counts where its first
        foot does.
    question
        Name of the question that these indicators answer together.

    Returns
    -------
    Result
        Estimates, one row per indicator (four for quantiles) and group. ``n`` is denominator +
        outside + immature + unknown; an estimate over nothing is missing.
    """
    names, codes, labels = find_groups(cohort.feet, by)
    parts = [_BY_KIND[i.kind](cohort, i, codes, len(labels)) for i in indicators]
    frame = join(parts, ESTIMATES)
    at = frame.pop("group").to_numpy(dtype=np.int64)
    for position, name in enumerate(names):
        frame.insert(position, name, labels[name].to_numpy()[at])
    context = describe(cohort, question, cohort.feet, method=_METHOD)
    context = replace(context, population=Phrase("population.indicators"))
    context = name_own(context, cohort, indicators)
    beside = {"children": _children_of(cohort.feet)} if "clinic" in names else {}
    return Result(ESTIMATES, typed(frame, ESTIMATES, names), context, tuple(names), beside)


def _children_of(feet: pd.DataFrame) -> pd.DataFrame:
    """Return the children of each clinic, by which a policy decides what may stand alone."""
    return feet.groupby("clinic")["child"].nunique().rename("children").reset_index()


def _share(cohort: Cohort, indicator: Indicator, codes: pd.Series, n_groups: int) -> pd.DataFrame:
    verdict = find_verdicts(cohort, indicator)
    group = codes.loc[verdict.index].to_numpy()
    counts = _count_verdicts(verdict, group, n_groups)
    counted = verdict.isin(["yes", "no"]).to_numpy() & (group >= 0)
    child = cohort.feet.loc[verdict.index, "child"]
    interval = clustered_proportion(
        verdict.eq("yes").to_numpy()[counted],
        child.to_numpy()[counted],
        group=group[counted],
        n_groups=n_groups,
    )
    table = counts.assign(
        measure=indicator.code,
        denominator=counts["no"] + counts["yes"],
        numerator=counts["yes"],
        estimate=interval.estimate,
        lower=interval.lower,
        upper=interval.upper,
    )
    return table.drop(columns=["no", "yes"])


def _ratio(cohort: Cohort, indicator: Indicator, codes: pd.Series, n_groups: int) -> pd.DataFrame:
    counts, used, group = _answered(cohort, indicator, codes, n_groups)
    above = find_values(indicator.numerator, used).to_numpy(dtype=float)
    below = _below(indicator, used)
    ratio = clustered_ratio(above, below, used["child"].to_numpy(), group=group, n_groups=n_groups)
    return counts.assign(
        measure=indicator.code,
        denominator=np.bincount(group, weights=below, minlength=n_groups).round().astype("int64"),
        numerator=np.bincount(group, weights=above, minlength=n_groups).round().astype("int64"),
        estimate=ratio.estimate,
        lower=ratio.lower,
        upper=ratio.upper,
    ).drop(columns="answered")


def _below(indicator: Indicator, used: pd.DataFrame) -> np.ndarray:
    """Return what each foot adds below the line of a ratio."""
    if indicator.denominator:
        return find_values(indicator.denominator, used).to_numpy(dtype=float)
    if indicator.unit == "child":
        return (~used.duplicated("child")).to_numpy(dtype=float)
    return np.ones(len(used))


def _spread(cohort: Cohort, indicator: Indicator, codes: pd.Series, n_groups: int) -> pd.DataFrame:
    counts, used, group = _answered(cohort, indicator, codes, n_groups)
    values = find_values(indicator.numerator, used).to_numpy(dtype=float)
    child = used["child"].to_numpy()
    tables = []
    for name, share in _QUANTILES.items():
        at = clustered_quantile(values, child, share, group=group, n_groups=n_groups)
        tables.append(
            counts.assign(
                measure=f"{indicator.code}.{name}",
                denominator=counts["answered"],
                numerator=pd.NA,
                estimate=at.estimate,
                lower=at.lower,
                upper=at.upper,
            ).drop(columns="answered")
        )
    return pd.concat(tables, ignore_index=True)


def _curve(cohort: Cohort, indicator: Indicator, codes: pd.Series, n_groups: int) -> pd.DataFrame:
    """Read a curve at its horizon; missing where fewer children than few are still followed.

    Every foot begun has its time in the curve, so none is immature, and the numerator is missing:
    a curve is no ratio of counts. Unknown are feet not seen after the origin.
    """
    endpoint, feet, group = ENDPOINTS[indicator.numerator], cohort.feet, codes.to_numpy()
    inside = evaluate(indicator.population, feet, cohort.protocol).fillna(False)
    inside &= evaluate(endpoint.population, feet, cohort.protocol).fillna(False)
    begun = (inside & feet[endpoint.origin].notna()).to_numpy(dtype=bool) & (group >= 0)
    rows = follow(cohort, endpoint).rows
    rows = rows.loc[begun[feet.index.get_indexer(rows.index)]]
    keep = (EVENT, COMPETING) if indicator.reading == "aalen_johansen" else (EVENT,)
    read = read_groups(
        group_rows(
            rows["time_days"],
            rows["ended"].where(rows["ended"].isin(keep), CENSORED),
            rows["entry_days"],
            cluster=pd.factorize(rows["child"])[0],
            group=codes.loc[rows.index],
        ),
        indicator.horizon_days,
        n_groups=n_groups,
    )
    enough = read.still_followed >= cohort.protocol.few_children
    n, n_begun, used = (
        np.bincount(which, minlength=n_groups)
        for which in (group[group >= 0], group[begun], codes.loc[rows.index].to_numpy())
    )
    limits = {name: getattr(read, name) for name in ("estimate", "lower", "upper")}
    return pd.DataFrame(
        {name: np.where(enough, values, np.nan) for name, values in limits.items()}
    ).assign(
        measure=indicator.code,
        group=np.arange(n_groups),
        n=n,
        denominator=used,
        numerator=pd.NA,
        outside=n - n_begun,
        immature=0,
        unknown=n_begun - used,
    )


def _answered(
    cohort: Cohort, indicator: Indicator, codes: pd.Series, n_groups: int
) -> tuple[pd.DataFrame, pd.DataFrame, np.ndarray]:
    """Return verdict counts by group, and the feet that enter a ratio or spread."""
    verdict = find_verdicts(cohort, indicator)
    group = codes.loc[verdict.index].to_numpy()
    counts = _count_verdicts(verdict, group, n_groups).drop(columns="no")
    if indicator.kind == "ratio" and indicator.unit == "child" and not indicator.denominator:
        # Both feet add their part to the one child, in the group where the child counts.
        child = cohort.feet["child"]
        of_child = pd.Series(group, index=child.loc[verdict.index])
        verdict = find_verdicts(cohort, replace(indicator, unit="foot"))
        group = of_child.loc[child.loc[verdict.index]].to_numpy()
    keep = verdict.eq("yes").to_numpy() & (group >= 0)
    used = cohort.feet.loc[verdict.index[keep]]
    return counts.rename(columns={"yes": "answered"}), used, group[keep]


def _count_verdicts(verdict: pd.Series, group: np.ndarray, n_groups: int) -> pd.DataFrame:
    counts = {
        name: np.bincount(group[(group >= 0) & verdict.eq(name).to_numpy()], minlength=n_groups)
        for name in VERDICTS
    }
    table = pd.DataFrame(counts)
    return table.assign(n=table.sum(axis=1), group=np.arange(n_groups))


_BY_KIND: dict[str, Callable[[Cohort, Indicator, pd.Series, int], pd.DataFrame]] = {
    "share": _share,
    "ratio": _ratio,
    "spread": _spread,
    "curve": _curve,
}
