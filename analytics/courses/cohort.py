"""The cohort: one row per foot, and what became of the rows it was made from."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date

import numpy as np
import pandas as pd

from analytics.definitions.codes import BRACE_USES, SIDES
from analytics.definitions.protocol import Protocol
from analytics.intake.canonical import shape_table
from analytics.intake.texts import factorize, from_codes
from analytics.intake.totals import Totals, no_totals

#: Use of the brace as it was told: one row per foot and day on which it was.
USES = ("child", "side", "visited_on", "use_told")


@dataclass(frozen=True)
class Cohort:
    """Feet as they stand at the cut-off.

    Visits and the ledger's lines are not in it: there may be more of them than memory. What lists
    rows reads them part by part (``intake.kept``).

    Parameters
    ----------
    feet
        One row per affected foot with at least one visit; columns of ``definitions.foot_facts``.
    uses
        ``USES``, sorted by child, side and day: use of the brace told on that day, read from the
        hours where no use was recorded.
    clinics
        The canonical table.
    cut_off
        The day on which the exports were frozen.
    protocol
        Windows in force.
    totals
        What became of all rows of the exports.
    """

    feet: pd.DataFrame
    uses: pd.DataFrame
    clinics: pd.DataFrame
    cut_off: date
    protocol: Protocol
    totals: Totals


def cohort_of_feet(feet: pd.DataFrame, cut_off: date, protocol: Protocol) -> Cohort:
    """Return a cohort of which nothing but its feet is asked."""
    clinics = shape_table(pd.DataFrame(), "clinics")
    return Cohort(feet, no_uses(), clinics, cut_off, protocol, no_totals())


def no_uses() -> pd.DataFrame:
    """Return ``USES`` without a row."""
    days = np.array([], dtype="datetime64[s]")
    texts = {name: pd.array([], dtype="string") for name in ("child", "side")}
    return shrink_uses(pd.DataFrame({**texts, "visited_on": days, "use_told": texts["side"]}))


def shrink_uses(uses: pd.DataFrame) -> pd.DataFrame:
    """Return ``USES`` with codes in place of texts: there is a row for most visits in a brace."""
    codes, children = factorize(uses["child"], sort=True)
    seen = np.bincount(codes, minlength=len(children)) > 0
    return pd.DataFrame(
        {
            "child": from_codes((np.cumsum(seen) - 1)[codes], children[seen]),
            "side": pd.Categorical(uses["side"], categories=SIDES),
            "visited_on": uses["visited_on"].to_numpy("datetime64[s]"),
            "use_told": pd.Categorical(uses["use_told"], categories=BRACE_USES),
        }
    )
