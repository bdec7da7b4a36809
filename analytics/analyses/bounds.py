"""What those lost to follow-up could change: indicators at their lowest and their highest."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import pandas as pd

from analytics.analyses.context import Method, describe, name_own
from analytics.analyses.followed import follow
from analytics.analyses.groups import find_groups, join, typed
from analytics.analyses.verdicts import VERDICTS, find_presumed, find_verdicts
from analytics.courses.cohort import Cohort
from analytics.definitions.endpoints import ENDPOINTS
from analytics.definitions.indicator import Indicator
from analytics.definitions.indicators import INDICATORS
from analytics.results import ESTIMATES, Phrase, Result
from analytics.stats.proportions import clustered_proportion

_METHOD = Method(
    Phrase("method.bounds"),
    notes=(Phrase("note.bounds"),),
)

#: What each line takes those lost to be: not counted, all a no, all a yes.
LINES = ("seen", "lowest", "highest")


def bounds(cohort: Cohort, indicators: Sequence[Indicator], *, by: Sequence[str] = ()) -> Result:
    """Return indicators among units seen, and with all those lost counted as no, then as yes.

    Parameters
    ----------
    cohort
        Feet at the cut-off.
    indicators
        Those that do not rest on follow-up are passed over.
    by
        Columns of the foot.

    Returns
    -------
    Result
        Estimates with measures ``<code>.seen``, ``<code>.lowest`` and ``<code>.highest``: k of
        those seen, k of N, and (k + lost) of N, where N are those seen and those lost. Lost are
        the unknown, and those who are a no only because nobody saw them (``presumed_no``). In the
        first line they stand under ``unknown``. A curve is read as a share of the feet that have
        reached its horizon; where fewer children than few were followed to it, nothing is
        estimable, and a note says so: feet that failed early would be all there is to see.
    """
    names, codes, labels = find_groups(cohort.feet, by)
    parts = [
        _bound(cohort, indicator, codes, len(labels))
        for indicator in indicators
        if indicator.rests_on_follow_up
    ]
    frame = join(parts, ESTIMATES)
    at = frame.pop("group").to_numpy(dtype=np.int64)
    for position, name in enumerate(names):
        frame.insert(position, name, labels[name].to_numpy()[at])
    context = replace(
        describe(cohort, "bounds", cohort.feet, method=_METHOD),
        population=Phrase("population.indicators"),
    )
    unmet = () if by else _find_unmet(cohort, indicators)
    context = replace(context, notes=(*context.notes, *unmet))
    context = name_own(context, cohort, indicators)
    return Result(ESTIMATES, typed(frame, ESTIMATES, names), context, groups=tuple(names))


def _bound(cohort: Cohort, indicator: Indicator, codes: pd.Series, n_groups: int) -> pd.DataFrame:
    verdict = find_verdicts(cohort, indicator)
    lost = (verdict.eq("unknown") | find_presumed(cohort, indicator)).to_numpy(dtype=bool)
    yes = verdict.eq("yes").to_numpy(dtype=bool)
    mature = lost | verdict.isin(["yes", "no"]).to_numpy(dtype=bool)
    group = codes.loc[verdict.index].to_numpy()
    child = cohort.feet.loc[verdict.index, "child"].to_numpy()
    tables = []
    for line, said, counted in (
        ("seen", yes, mature & ~lost),
        ("lowest", yes, mature),
        ("highest", yes | lost, mature),
    ):
        keep = counted & (group >= 0)
        at = clustered_proportion(said[keep], child[keep], group=group[keep], n_groups=n_groups)
        tables.append(
            pd.DataFrame(
                {
                    "measure": f"{indicator.code}.{line}",
                    "group": np.arange(n_groups),
                    "denominator": at.n,
                    "numerator": at.n_yes,
                    "estimate": at.estimate,
                    "lower": at.lower,
                    "upper": at.upper,
                    "unknown": _count(mature & ~counted, group, n_groups),
                }
            )
        )
    table = pd.concat(tables, ignore_index=True)
    for name in VERDICTS[:2]:
        which = verdict.eq(name).to_numpy(dtype=bool)
        table[name] = np.tile(_count(which, group, n_groups), len(LINES))
    table["n"] = table[["denominator", "outside", "immature", "unknown"]].sum(axis=1)
    if indicator.kind == "curve":
        short = _count_followed(cohort, indicator, codes, n_groups) < cohort.protocol.few_children
        figures = ["estimate", "lower", "upper"]
        table.loc[np.tile(short, len(LINES)), figures] = np.nan
    return table


def _count_followed(
    cohort: Cohort, indicator: Indicator, codes: pd.Series, n_groups: int
) -> np.ndarray:
    """Return the children followed to the horizon of a curve, by group."""
    rows = follow(cohort, ENDPOINTS[indicator.numerator]).rows
    rows = rows.loc[rows["time_days"] >= indicator.horizon_days]
    pairs = pd.DataFrame({"group": codes.loc[rows.index], "child": rows["child"]})
    group = pairs.loc[pairs["group"] >= 0].drop_duplicates()["group"].to_numpy(dtype=np.int64)
    return np.bincount(group, minlength=n_groups)


def _find_unmet(cohort: Cohort, indicators: Sequence[Indicator]) -> tuple[Phrase, ...]:
    """Say which curves nobody could be followed along."""
    everyone = pd.Series(0, index=cohort.feet.index)
    needed, notes = cohort.protocol.few_children, []
    for indicator in indicators:
        if indicator.kind != "curve" or not indicator.rests_on_follow_up:
            continue
        n = int(_count_followed(cohort, indicator, everyone, 1)[0])
        own = INDICATORS.get(indicator.code) != indicator
        name = indicator.title if own else Phrase(f"measure.{indicator.code}")
        if n < needed:
            values = {"measure": name, "n_children": n, "needed": needed}
            notes.append(Phrase("note.not_reached", values))
    return tuple(notes)


def _count(which: np.ndarray, group: np.ndarray, n_groups: int) -> np.ndarray:
    return np.bincount(group[which & (group >= 0)], minlength=n_groups)
