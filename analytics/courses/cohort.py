"""The cohort: one row per foot, with the visits behind it."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date

import pandas as pd

from analytics.definitions.protocol import Protocol
from analytics.intake.ledger import Ledger


@dataclass(frozen=True)
class Cohort:
    """Feet as they stand at the cut-off.

    Parameters
    ----------
    feet
        One row per affected foot with at least one visit; columns of ``definitions.foot_facts``.
    visits
        The canonical visits at or before the cut-off, sorted by child, side and day, with
        ``series`` (1, 2, ... for casts, missing for others), ``cast_order`` (place in the series
        by the dates), ``is_after_tenotomy`` (missing for others) and ``use_told`` (use of the
        brace told on that day, read from the hours where no use was recorded).
    children, clinics, departures
        The canonical tables.
    cut_off
        The day on which the exports were frozen.
    protocol
        Windows in force.
    ledger
        Fate of every row.
    """

    feet: pd.DataFrame
    visits: pd.DataFrame
    children: pd.DataFrame
    clinics: pd.DataFrame
    departures: pd.DataFrame
    cut_off: date
    protocol: Protocol
    ledger: Ledger
