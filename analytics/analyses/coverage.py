"""How many of the children born with clubfoot were reached, with what is not known about both."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import timedelta

import numpy as np
import pandas as pd

from analytics.analyses.context import Method, describe
from analytics.analyses.groups import find_groups, typed
from analytics.analyses.verdicts import first_feet
from analytics.courses.cohort import Cohort
from analytics.definitions.burden import BIRTH_PREVALENCE, Published
from analytics.results import ESTIMATES, Phrase, Result
from analytics.stats.combine import between, divide, exactly, multiply
from analytics.stats.rates import poisson_rate

#: Births are stated by the year, so children are counted over one.
DAYS = 365


def estimates(
    cohort: Cohort, *, by: Sequence[str] = (), prevalence: Published = BIRTH_PREVALENCE
) -> Result:
    """Return children begun before their first birthday over births expected with clubfoot.

    Parameters
    ----------
    cohort
        Feet at the cut-off; ``clinics`` states live births a year in each catchment.
    by
        Nothing, ``clinic`` or ``country``.
    prevalence
        Per 1000 live births, with its interval.

    Returns
    -------
    Result
        Estimates over the 365 days up to the cut-off. ``coverage``: numerator children begun,
        denominator live births (of a clinic opened in that time its share of the year), the
        estimate over births x prevalence, its interval that of a count of so many (Poisson) and
        of the prevalence together. ``expected_children``: births x prevalence with its interval.
        ``n`` counts children, so it is not the sum of the others here. Children begun later in
        life are outside; unknown are those without a date of birth and those of clinics whose
        births are not stated, for which nothing is estimated.
    """
    children = _find_children(cohort)
    table = _count(children, find_births(cohort), by, late=cohort.protocol.late_presenter_days)
    thousands = table["births"].to_numpy(dtype=float) / 1000
    rate = between(prevalence.value, prevalence.lower, prevalence.upper)
    expected = multiply(exactly(np.where(thousands > 0, thousands, np.nan)), rate)
    reached = poisson_rate(table["numerator"])
    parts = [
        table.assign(
            measure=measure,
            denominator=np.round(thousands * 1000),
            numerator=table["numerator"] if measure == "coverage" else pd.NA,
            estimate=at.estimate,
            lower=at.lower,
            upper=at.upper,
            immature=0,
        )
        for measure, at in (
            ("coverage", divide(reached, expected)),
            ("expected_children", expected),
        )
    ]
    frame = pd.concat(parts, ignore_index=True)
    return Result(
        ESTIMATES,
        typed(frame, ESTIMATES, by),
        describe(cohort, "coverage", children, method=_method(prevalence), unit="child"),
        groups=tuple(by),
    )


def find_births(cohort: Cohort) -> pd.DataFrame:
    """Return clinics with their live births in the 365 days up to the cut-off.

    Returns
    -------
    DataFrame
        ``clinic, country, births``; missing where births are not stated.
    """
    clinics = cohort.clinics
    ends = pd.Timestamp(cohort.cut_off)
    open_days = (ends - clinics["opened_on"]).dt.days.fillna(DAYS).clip(0, DAYS)
    births = clinics["annual_live_births"].astype("Float64") * open_days / DAYS
    return clinics[["clinic", "country"]].assign(births=births)


def _find_children(cohort: Cohort) -> pd.DataFrame:
    feet = first_feet(cohort.feet)
    since = pd.Timestamp(cohort.cut_off - timedelta(days=DAYS))
    return feet.loc[(feet["started_on"] > since).fillna(False).to_numpy(dtype=bool)]


def _count(
    children: pd.DataFrame, births: pd.DataFrame, by: Sequence[str], *, late: int
) -> pd.DataFrame:
    """Return children and births of every group that has either."""
    names = list(by)
    every = pd.concat([children[names], births[names]], ignore_index=True)
    _, codes, labels = find_groups(every, names)
    of_child, of_clinic = np.split(codes.to_numpy(), [len(children)])
    has_births = children["clinic"].isin(births.loc[births["births"].notna(), "clinic"])
    age = children["age_start_days"]
    unknown = (age.isna() | ~has_births).to_numpy(dtype=bool)
    older = age.ge(late).to_numpy(dtype=bool, na_value=False)
    outside, young = older & ~unknown, ~older & ~unknown

    def count(which: np.ndarray) -> np.ndarray:
        return np.bincount(of_child[which & (of_child >= 0)], minlength=len(labels))

    known = births["births"].notna().to_numpy(dtype=bool) & (of_clinic >= 0)
    total = np.bincount(
        of_clinic[known],
        weights=births["births"].to_numpy(dtype=float, na_value=np.nan)[known],
        minlength=len(labels),
    )
    some = np.bincount(of_clinic[known], minlength=len(labels)) > 0
    return labels.assign(
        n=count(young | outside | unknown),
        numerator=count(young),
        outside=count(outside),
        unknown=count(unknown),
        births=np.where(some, total, np.nan),
    )


def _method(prevalence: Published) -> Method:
    values = {name: getattr(prevalence, name) for name in ("value", "lower", "upper")}
    notes = (Phrase("note.prevalence", values), Phrase("note.births_stated"))
    return Method(Phrase("method.coverage"), prevalence.source, notes)
