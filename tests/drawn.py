"""Small tables drawn as text, and cohorts made of them."""

from __future__ import annotations

from datetime import date

import pandas as pd

from analytics.courses.cohort import Cohort, cohort_of_feet
from analytics.definitions.columns import Column
from analytics.definitions.foot_facts import FOOT
from analytics.definitions.protocol import Protocol
from analytics.intake.ledger import (
    AMENDMENT_COLUMNS,
    FLAG_COLUMNS,
    PIECE_COLUMNS,
    ROW_COLUMNS,
    Ledger,
)

NOTHING = "."


def drawn(text: str) -> pd.DataFrame:
    """A table of words: the first line names the columns, a dot stands for a missing value."""
    lines = [line.split() for line in text.strip().splitlines()]
    frame = pd.DataFrame(lines[1:], columns=lines[0], dtype="string")
    return frame.mask(frame == NOTHING)


def typed(frame: pd.DataFrame, columns: tuple[Column, ...]) -> pd.DataFrame:
    """The frame with every declared column, in order, in its nullable type."""
    wanted = {column.name: column for column in columns}
    unknown = set(frame.columns) - set(wanted)
    assert not unknown, f"no such columns: {unknown}"
    full = frame.reindex(columns=list(wanted))
    return pd.DataFrame({name: _cast(full[name], column) for name, column in wanted.items()})


def _cast(values: pd.Series, column: Column) -> pd.Series:
    if column.kind == "flag":
        return values.map({"yes": True, "no": False}).astype("boolean")
    if column.kind == "date":
        return pd.to_datetime(values).astype("datetime64[s]")
    return values.astype(column.dtype)


def empty_ledger() -> Ledger:
    columns = (ROW_COLUMNS, PIECE_COLUMNS, AMENDMENT_COLUMNS, FLAG_COLUMNS)
    return Ledger(*(pd.DataFrame(columns=list(names), dtype="string") for names in columns))


def cohort_of(
    feet: str | pd.DataFrame, *, cut_off: str = "2026-01-01", protocol: Protocol | None = None
) -> Cohort:
    """A cohort of drawn feet, without visits."""
    frame = drawn(feet) if isinstance(feet, str) else feet
    for name, value in {"clinic": "A", "side": "left"}.items():
        if name not in frame.columns:
            frame = frame.assign(**{name: pd.array([value] * len(frame), dtype="string")})
    until = date.fromisoformat(cut_off)
    return cohort_of_feet(typed(frame, FOOT), until, protocol or Protocol())
