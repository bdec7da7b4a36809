"""Quality indicators: shares, ratios, quantiles and curve readings with clustered intervals."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace

import numpy as np
import pandas as pd

from analytics.analyses.context import Method, describe
from analytics.analyses.time_to import read_endpoint
from analytics.analyses.verdicts import VERDICTS, find_immature, find_verdicts
from analytics.courses.cohort import Cohort
from analytics.definitions.endpoints import ENDPOINTS
from analytics.definitions.indicator import Indicator
from analytics.definitions.rules import evaluate, find_values
from analytics.results import ESTIMATES, Phrase, Result
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
    names, codes, labels = _groups(cohort.feet, by)
    parts = [_BY_KIND[i.kind](cohort, i, codes, len(labels)) for i in indicators]
    frame = pd.concat(parts, ignore_index=True)
    at = frame.pop("group").to_numpy()
    for position, name in enumerate(names):
        frame.insert(position, name, labels[name].to_numpy()[at])
    context = describe(cohort, question, cohort.feet, method=_METHOD)
    context = replace(context, population=Phrase("population.indicators"))
    return Result(ESTIMATES, _typed(frame, names), context, groups=tuple(names))


def _groups(feet: pd.DataFrame, by: Sequence[str]) -> tuple[list[str], pd.Series, pd.DataFrame]:
    """Return group columns, the group code of every foot (-1: none), and the groups in order."""
    names = list(by)
    if not names:
        return names, pd.Series(0, index=feet.index), pd.DataFrame(index=[0])
    labels = feet[names].dropna().drop_duplicates().sort_values(names).reset_index(drop=True)
    keyed = labels.assign(code=np.arange(len(labels)))
    codes = feet[names].merge(keyed, on=names, how="left")["code"].fillna(-1).astype("int64")
    return names, pd.Series(codes.to_numpy(), index=feet.index), labels


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
    below = find_values(indicator.denominator, used).to_numpy(dtype=float)
    ratio = clustered_ratio(above, below, used["child"].to_numpy(), group=group, n_groups=n_groups)
    return counts.assign(
        measure=indicator.code,
        denominator=np.bincount(group, weights=below, minlength=n_groups).round().astype("int64"),
        numerator=np.bincount(group, weights=above, minlength=n_groups).round().astype("int64"),
        estimate=ratio.estimate,
        lower=ratio.lower,
        upper=ratio.upper,
    ).drop(columns="answered")


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
    endpoint = ENDPOINTS[indicator.numerator]
    read = read_endpoint(cohort, endpoint, indicator.horizon_days, codes=codes, n_groups=n_groups)
    return read.assign(measure=indicator.code)


def _answered(
    cohort: Cohort, indicator: Indicator, codes: pd.Series, n_groups: int
) -> tuple[pd.DataFrame, pd.DataFrame, np.ndarray]:
    """Return verdict counts by group, and the feet that enter a ratio or spread."""
    feet = cohort.feet
    inside = evaluate(indicator.population, feet, cohort.protocol).fillna(False)
    columns = [c for c in (indicator.numerator, indicator.denominator) if c]
    missing = pd.concat([find_values(c, feet).isna() for c in columns], axis=1).any(axis=1)
    known = evaluate(indicator.known, feet, cohort.protocol).fillna(False) & ~missing
    verdict = pd.Series("outside", index=feet.index, dtype="string")
    said = known.map({True: "yes", False: "unknown"}).astype("string")
    verdict = verdict.mask(inside, said.mask(find_immature(cohort, indicator), "immature"))
    counts = _count_verdicts(verdict, codes.to_numpy(), n_groups).drop(columns="no")
    keep = verdict.eq("yes").to_numpy() & (codes.to_numpy() >= 0)
    return counts.rename(columns={"yes": "answered"}), feet.loc[keep], codes.to_numpy()[keep]


def _count_verdicts(verdict: pd.Series, group: np.ndarray, n_groups: int) -> pd.DataFrame:
    counts = {
        name: np.bincount(group[(group >= 0) & verdict.eq(name).to_numpy()], minlength=n_groups)
        for name in VERDICTS
    }
    table = pd.DataFrame(counts)
    return table.assign(n=table.sum(axis=1), group=np.arange(n_groups))


def _typed(frame: pd.DataFrame, names: Sequence[str]) -> pd.DataFrame:
    types = {"count": "Int64", "figure": "Float64", "code": "string"}
    wanted = {name: types[kind] for name, kind in ESTIMATES.columns.items()}
    return frame[[*names, *wanted]].astype(wanted)


_BY_KIND: dict[str, Callable[[Cohort, Indicator, pd.Series, int], pd.DataFrame]] = {
    "share": _share,
    "ratio": _ratio,
    "spread": _spread,
    "curve": _curve,
}
