"""Visits drawn with day numbers, and the feet that come of them.

A day is a number: day 0 is the day below, and every date of the result is shown the same way.
Child ``a``, the left foot and clinic ``A`` stand where a table does not name others.
"""

from __future__ import annotations

from datetime import date, timedelta

import numpy as np
import pandas as pd
from drawn import NOTHING, drawn, empty_ledger, typed

from analytics.courses.build import build_cohort, build_visits
from analytics.courses.cohort import Cohort
from analytics.definitions.columns import TABLES
from analytics.definitions.protocol import Protocol
from analytics.intake.records import Records

DAY_0 = date(2018, 1, 1)

#: Later than the last visit of most drawn courses by more than the longest limit.
LATE = 3000


def on(day: int) -> date:
    """The date of a day number."""
    return DAY_0 + timedelta(days=day)


def records_of(
    visits: str | pd.DataFrame = "purpose",
    *,
    children: str = "child",
    feet: str = "child",
    departures: str = "child",
    clinics: str = "clinic",
) -> Records:
    """Canonical records of drawn tables."""
    drawings = {
        "visits": visits if isinstance(visits, pd.DataFrame) else drawn(visits),
        "children": drawn(children),
        "feet": drawn(feet),
        "departures": drawn(departures),
        "clinics": drawn(clinics),
    }
    tables = {name: _full(name, drawing) for name, drawing in drawings.items()}
    visits = tables["visits"]
    lines = pd.array([pd.NA] * len(visits), dtype="Int64")
    tables["visits"] = visits.assign(file=pd.NA, sheet=pd.NA, line=lines)
    return Records(**tables, ledger=empty_ledger(), sources=())


def cohort_from(
    visits: str | pd.DataFrame = "purpose",
    *,
    cut_off: int = LATE,
    protocol: Protocol | None = None,
    **tables: str,
) -> Cohort:
    """The cohort of drawn visits and further drawn tables."""
    records = records_of(visits, **tables)
    return build_cohort(records, on(cut_off), protocol or Protocol())


def visits_from(
    visits: str | pd.DataFrame = "purpose",
    *,
    cut_off: int = LATE,
    protocol: Protocol | None = None,
    **tables: str,
) -> pd.DataFrame:
    """The drawn visits with their place in the course of the foot."""
    return build_visits(records_of(visits, **tables), on(cut_off), protocol or Protocol())


def feet_from(visits: str | pd.DataFrame = "purpose", **others: object) -> pd.DataFrame:
    """The feet of drawn visits, every value as a word."""
    return shown(cohort_from(visits, **others).feet)


def shown(frame: pd.DataFrame) -> pd.DataFrame:
    """Every value as a word: dates as day numbers, flags as yes or no, missing as a dot."""
    return pd.DataFrame({name: [_word(value) for value in frame[name]] for name in frame.columns})


def check(actual: pd.DataFrame, expected: str) -> None:
    """Compare the drawn columns, row by row."""
    wanted = drawn(expected).fillna(NOTHING).astype(object)
    pd.testing.assert_frame_equal(actual[list(wanted.columns)].astype(object), wanted)


def _word(value: object) -> str:
    if value is None or value is pd.NA or pd.isna(value):
        return NOTHING
    if isinstance(value, pd.Timestamp):
        return str((value.date() - DAY_0).days)
    if isinstance(value, bool | np.bool_):
        return "yes" if value else "no"
    if isinstance(value, float):
        return f"{value:g}"
    return str(value)


def _full(name: str, drawing: pd.DataFrame) -> pd.DataFrame:
    usual = {"child": "a", "side": "left", "clinic": "A"}
    declared = {column.name for column in TABLES[name]}
    drawing = drawing.rename(columns={"day": "visited_on", "birth": "birth_on"})
    extra = [column for column in drawing.columns if column.startswith("extra_")]
    for column, value in usual.items():
        if column in declared and column not in drawing.columns:
            words = pd.array([value] * len(drawing), dtype="string")
            drawing = drawing.assign(**{column: words})
    for column in (c for c in drawing.columns if c.endswith("_on")):
        drawing = drawing.assign(**{column: _dates(drawing[column])})
    return pd.concat([typed(drawing.drop(columns=extra), TABLES[name]), drawing[extra]], axis=1)


def _dates(numbers: pd.Series) -> pd.Series:
    return pd.Series(
        [None if pd.isna(n) else on(int(n)).isoformat() for n in numbers], dtype="string"
    )
