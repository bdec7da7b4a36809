"""Every clinic against the network, worked out once, and what of it belongs to one clinic."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from analytics.analyses import clinics, indicators, trends
from analytics.analyses.context import Method, describe, name_own
from analytics.analyses.groups import typed
from analytics.courses.cohort import Cohort
from analytics.definitions.indicator import Indicator
from analytics.results import COMPARISON, ESTIMATES, TREND, Context, Phrase, Result

#: Measure of casts used against casts expected.
CASTS = "casts_used"

_METHOD = Method(
    Phrase("method.comparison"),
    "Spiegelhalter 2005, Stat Med 24:1185",
    (Phrase("note.comparison"),),
)
_RATIOS = ("estimate", "shrunken", "lower", "upper")


@dataclass(frozen=True)
class EveryClinic:
    """What the page of any clinic is cut from.

    Parameters
    ----------
    sizes
        One row per clinic of the list or of the records: ``clinic, n_feet, n_children, first_on,
        last_on`` (first cast and last visit), in the order of the codes.
    positions
        One row per measure and clinic, with the columns of a comparison; figures are seen over
        expected.
    notes
        Why a measure could not be compared.
    numbers, network
        Estimates by clinic, and of the network.
    charts
        Code of an indicator to clinic to its chart.
    """

    sizes: pd.DataFrame
    positions: pd.DataFrame
    notes: tuple[Phrase, ...]
    context: Context
    numbers: Result
    network: Result
    charts: Mapping[str, Mapping[str, Result]]


def compare_all(
    cohort: Cohort, compared: Sequence[Indicator], shown: Sequence[Indicator]
) -> EveryClinic:
    """Return what every clinic's page shows.

    Parameters
    ----------
    cohort
        Feet at the cut-off.
    compared
        Shares by which clinics are judged; each has a chart by quarter.
    shown
        Indicators of which a clinic sees its own figure beside the network's.
    """
    shares = [indicator for indicator in compared if indicator.kind == "share"]
    found = {CASTS: clinics.casts(cohort)}
    found |= {indicator.code: clinics.comparison(cohort, indicator) for indicator in shares}
    positions = pd.concat(
        [_as_ratios(result).assign(measure=code) for code, result in found.items()],
        ignore_index=True,
    )
    context = describe(cohort, "clinic_standing", cohort.feet, method=_METHOD)
    context = replace(
        name_own(context, cohort, shares), population=Phrase("population.clinics"), n_clinics=None
    )
    return EveryClinic(
        sizes=_sizes(cohort),
        positions=positions,
        notes=tuple(
            Phrase("note.measure", {"measure": Phrase(f"measure.{code}"), "note": note})
            for code, result in found.items()
            for note in result.context.notes
            if note.key == "note.not_estimable"
        ),
        context=context,
        numbers=indicators.estimates(cohort, shown, by=["clinic"], question="clinic_numbers"),
        network=indicators.estimates(cohort, shown, question="clinic_numbers"),
        charts={i.code: trends.charts_of_clinics(cohort, i) for i in shares},
    )


def standing(every: EveryClinic, clinic: str) -> Result:
    """Return how a clinic stands against the network, measure by measure.

    Returns
    -------
    Result
        A comparison by ``measure``: ``estimate`` is seen over expected (1 is as the network
        would have had with this clinic's children). A measure under which the clinic has nobody
        is *too_few*.
    """
    rows = every.positions.loc[every.positions["unit"].eq(clinic)].set_index("measure")
    rows = rows.reindex(pd.Index(every.positions["measure"].unique(), name="measure"))
    absent = rows["unit"].isna()
    rows = rows.assign(
        unit=clinic,
        numerator=rows["numerator"].fillna(0),
        denominator=rows["denominator"].fillna(0),
        flag=rows["flag"].mask(absent, "too_few"),
    )
    frame = typed(rows.reset_index(), COMPARISON, ("measure",))
    context = _of_clinic(every, clinic, every.context)
    context = replace(context, notes=(*context.notes, *every.notes))
    return Result(COMPARISON, frame, context, ("measure",))


def numbers(every: EveryClinic, clinic: str) -> Result:
    """Return the clinic's own figures beside the network's.

    Returns
    -------
    Result
        Estimates by ``whose``: ``clinic``, then ``network`` (the clinic among it).
    """
    own = every.numbers.frame
    whole = every.network.frame.assign(whose="network")
    own = own.loc[own["clinic"].eq(clinic)].assign(whose="clinic")
    if own.empty:
        counts = [name for name, kind in ESTIMATES.columns.items() if kind == "count"]
        own = whole.assign(whose="clinic", **dict.fromkeys(counts, 0))
        own = own.assign(**dict.fromkeys(("estimate", "lower", "upper"), np.nan))
    frame = pd.concat([own[whole.columns], whole], ignore_index=True)
    context = _of_clinic(every, clinic, every.numbers.context)
    return Result(ESTIMATES, typed(frame, ESTIMATES, ("whose",)), context, ("whose",))


def chart(every: EveryClinic, clinic: str, code: str) -> Result:
    """Return the clinic's quarters under an indicator, against its own mean; none is empty."""
    charts = every.charts[code]
    if clinic in charts:
        return charts[clinic]
    empty = typed(pd.DataFrame(columns=[*TREND.columns]), TREND, ())
    context = _of_clinic(every, clinic, replace(every.context, question=f"trend_{code}", notes=()))
    return Result(TREND, empty, replace(context, method=trends.METHOD.words))


def find_position(every: EveryClinic, clinic: str, code: str) -> str:
    """Return the position of a clinic under a measure: a code of the labels ``flag``."""
    frame = standing(every, clinic).frame.set_index("measure")
    flag = frame["flag"].get(code, pd.NA)
    return "too_few" if pd.isna(flag) else str(flag)


def _as_ratios(result: Result) -> pd.DataFrame:
    """Return the rows of a comparison with figures as seen over expected."""
    frame = result.frame
    limits = result.beside.get("limits")
    centre = float(limits["centre"].iloc[0]) if limits is not None else np.nan
    return frame.assign(**{name: frame[name] / centre for name in _RATIOS})


def _sizes(cohort: Cohort) -> pd.DataFrame:
    feet = cohort.feet
    counted = feet.groupby("clinic").agg(
        n_feet=("side", "size"),
        n_children=("child", "nunique"),
        first_on=("started_on", "min"),
        last_on=("last_seen_on", "max"),
    )
    codes = sorted({*feet["clinic"].dropna(), *cohort.clinics["clinic"].dropna()})
    sizes = counted.reindex(pd.Index(codes, name="clinic", dtype="string")).reset_index()
    return sizes.astype({"n_feet": "Int64", "n_children": "Int64"}).fillna(
        {"n_feet": 0, "n_children": 0}
    )


def _of_clinic(every: EveryClinic, clinic: str, context: Context) -> Context:
    size = every.sizes.set_index("clinic").loc[clinic]
    return replace(
        context,
        n_feet=int(size["n_feet"]),
        n_children=int(size["n_children"]),
        n_clinics=None,
        n_events=None,
    )
