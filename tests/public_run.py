"""The counts that one public report shows of a cohort, all its tables together.

Built from verdicts alone: what is withheld depends on counts, and the intervals that take most of
the time of a report rest on them.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from analytics.analyses import description, flow, quarters, time_to, waits
from analytics.analyses.context import Method, describe
from analytics.analyses.groups import typed
from analytics.analyses.verdicts import VERDICTS, find_presumed, find_verdicts
from analytics.courses.cohort import Cohort
from analytics.definitions.indicator import Indicator
from analytics.definitions.indicators import COMPARED
from analytics.definitions.policies import PUBLIC
from analytics.results import COMPARISON, ESTIMATES, TREND, Context, Phrase, Result
from analytics.sharing.clinics import draw_letters
from analytics.sharing.protect import Released, protect

KEY = b"a key for the test"


@dataclass(frozen=True)
class Shown:
    """A result, what the public sees of it, and the letters of its clinics."""

    result: Result
    released: Released
    letters: dict[str, str]


def public_run(cohort: Cohort) -> list[Shown]:
    """What the public sees of a cohort."""
    children = cohort.feet.groupby("clinic")["child"].nunique()
    codes = draw_letters(pd.Series(children), PUBLIC.smallest_unit_children, KEY)
    return [Shown(r, protect(r, PUBLIC, codes=codes), codes) for r in results_of(cohort)]


def results_of(cohort: Cohort) -> Iterator[Result]:
    """The tables of the pages for managers and funders that hold counts of feet or children."""
    yield _estimates(cohort, COMPARED, "headline")
    yield _estimates(cohort, COMPARED, "clinics_care", "clinic")
    yield _estimates(cohort, COMPARED, "quarters_care", "quarter")
    yield _bounds(cohort, [i for i in COMPARED if i.rests_on_follow_up])
    for indicator in COMPARED:
        yield _trend(cohort, indicator)
        yield _comparison(cohort, indicator)
    yield quarters.counts(cohort)
    yield _due(cohort)
    yield description.profile(cohort, unit="foot")
    yield description.profile(cohort)
    yield flow.pathway_flow(cohort)
    yield waits.estimates(cohort)
    yield time_to.curve(cohort, "relapse")
    yield time_to.curve(cohort, "relapse", by=["severity_band"])


def _context(cohort: Cohort, question: str) -> Context:
    return describe(cohort, question, cohort.feet, method=Method(Phrase("method.count")))


def _counts(cohort: Cohort, indicator: Indicator, by: str = "") -> pd.DataFrame:
    """Return one line of counts for each level of a column, or one in all."""
    verdict = find_verdicts(cohort, indicator)
    group = cohort.feet.loc[verdict.index, by].astype(str) if by else pd.Series("", verdict.index)
    codes, levels = pd.factorize(group.to_numpy(dtype=object), sort=True)
    places = pd.Categorical(verdict, categories=VERDICTS).codes
    counted = np.bincount(codes * len(VERDICTS) + places, minlength=len(levels) * len(VERDICTS))
    table = pd.DataFrame(counted.reshape(-1, len(VERDICTS)), levels, list(VERDICTS))
    below = table["yes"] + table["no"]
    with np.errstate(invalid="ignore", divide="ignore"):
        share = (table["yes"] / below.where(below > 0)).to_numpy(dtype=float)
    frame = pd.DataFrame(
        {
            "level": table.index.astype(str),
            "measure": indicator.code,
            "n": table.sum(axis=1).to_numpy(),
            "denominator": below.to_numpy(),
            "numerator": table["yes"].to_numpy(),
            "estimate": share,
            "lower": np.nan,
            "upper": np.nan,
            "outside": table["outside"].to_numpy(),
            "immature": table["immature"].to_numpy(),
            "unknown": table["unknown"].to_numpy(),
        }
    )
    return frame.rename(columns={"level": by}) if by else frame.drop(columns="level")


def _estimates(cohort, indicators, question: str, by: str = "") -> Result:  # type: ignore[no-untyped-def]
    frame = pd.concat([_counts(cohort, i, by) for i in indicators], ignore_index=True)
    groups = (by,) if by else ()
    return Result(ESTIMATES, typed(frame, ESTIMATES, groups), _context(cohort, question), groups)


def _bounds(cohort: Cohort, indicators: list[Indicator]) -> Result:
    lines = []
    for indicator in indicators:
        verdict = find_verdicts(cohort, indicator)
        lost = verdict.eq("unknown") | find_presumed(cohort, indicator)
        yes, mature = verdict.eq("yes"), verdict.isin(["yes", "no", "unknown"])
        for line, said, counted in (
            ("seen", yes, mature & ~lost), ("lowest", yes, mature), ("highest", yes | lost, mature),
        ):  # fmt: skip
            n, k = int(counted.sum()), int((said & counted).sum())
            lines.append(
                {
                    "measure": f"{indicator.code}.{line}", "n": len(verdict), "denominator": n,
                    "numerator": k, "estimate": k / n if n else np.nan, "lower": np.nan,
                    "upper": np.nan, "outside": int(verdict.eq("outside").sum()),
                    "immature": int(verdict.eq("immature").sum()),
                    "unknown": int((mature & ~counted).sum()),
                }
            )  # fmt: skip
    return Result(ESTIMATES, typed(pd.DataFrame(lines), ESTIMATES, ()), _context(cohort, "bounds"))


def _trend(cohort: Cohort, indicator: Indicator) -> Result:
    counts = _counts(cohort, indicator, "quarter")
    counts = counts.loc[counts["denominator"] > 0]
    frame = counts.rename(columns={"quarter": "period"}).reindex(columns=list(TREND.columns))
    context = _context(cohort, f"trend_{indicator.code}")
    return Result(TREND, typed(frame, TREND, ()), replace(context, unit=indicator.unit))


def _comparison(cohort: Cohort, indicator: Indicator) -> Result:
    frame = _counts(cohort, indicator, "clinic").rename(columns={"clinic": "unit"})
    frame = frame.reindex(columns=list(COMPARISON.columns))
    context = _context(cohort, f"clinics_{indicator.code}")
    return Result(COMPARISON, typed(frame, COMPARISON, ()), replace(context, unit=indicator.unit))


def _due(cohort: Cohort) -> Result:
    parts = []
    for indicator in COMPARED:
        for span, inside in quarters._spans(cohort, indicator):
            part = replace(cohort, feet=cohort.feet.loc[inside])
            counts = _counts(part, indicator) if inside.any() else pd.DataFrame()
            parts.append(counts.assign(quarter_due=span))
    frame = pd.concat([p for p in parts if len(p)], ignore_index=True)
    frame = typed(frame, ESTIMATES, ("quarter_due",))
    return Result(ESTIMATES, frame, _context(cohort, "due"), ("quarter_due",))
