"""Visits in an order of their own, foot by foot and day by day."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date

import numpy as np
import pandas as pd

from analytics.courses.segments import Ints, as_days, begins
from analytics.definitions.codes import PURPOSES
from analytics.intake.texts import factorize


@dataclass(frozen=True)
class Timeline:
    """Visits of all feet in order.

    Parameters
    ----------
    visits
        Visits up to the cut-off, sorted by child, side, day and purpose.
    keys
        One row per foot seen: ``child, side``.
    foot
        Foot of each day, a row of ``keys``; a day is one day on which one foot was seen.
    day
        Days since 1970-01-01.
    foot_starts
        First day of each foot.
    row_starts
        First visit of each day.
    """

    visits: pd.DataFrame
    keys: pd.DataFrame
    foot: Ints
    day: Ints
    foot_starts: Ints
    row_starts: Ints


def build_timeline(visits: pd.DataFrame, cut_off: date) -> Timeline:
    """Return the visits at or before the cut-off in an order that does not depend on the input's.

    Parameters
    ----------
    visits
        Canonical visits.
    cut_off
        Later visits are left out: they belong to a later report.
    """
    day = as_days(visits["visited_on"])
    at = np.flatnonzero(day <= np.datetime64(cut_off, "D").astype(np.int64))
    child, side = (factorize(visits[name], sort=True)[0][at] for name in ("child", "side"))
    purpose = _rank_purposes(visits["purpose"])[at]
    order = np.lexsort((purpose, day[at], side, child))
    keys = [part[order] for part in (child, side, day[at], purpose)]
    if not begins(*keys).all():
        order = np.lexsort((*_address(visits, at), purpose, day[at], side, child))
    visits = visits.iloc[at[order]].reset_index(drop=True)
    child, side, day = child[order], side[order], day[at[order]]
    row_starts = np.flatnonzero(begins(child, side, day))
    is_foot_start = begins(child[row_starts], side[row_starts])
    foot_starts = np.flatnonzero(is_foot_start)
    feet = visits.loc[row_starts[foot_starts], ["child", "side"]].reset_index(drop=True)
    foot = np.cumsum(is_foot_start) - 1
    return Timeline(visits, feet, foot, day[row_starts], foot_starts, row_starts)


def _rank_purposes(purposes: pd.Series) -> Ints:
    codes, distinct = factorize(purposes)
    ranks = [PURPOSES.index(purpose) if purpose in PURPOSES else -1 for purpose in distinct]
    return np.array([*ranks, -1])[codes]


def _address(visits: pd.DataFrame, at: Ints) -> list[Ints]:
    """Return what tells visits of one key apart, the most telling last."""
    names = [name for name in ("line", "sheet", "file") if name in visits.columns]
    return [factorize(visits[name], sort=True)[0][at] for name in names]
