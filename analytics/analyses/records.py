"""How many records pass every hard rule, for the network or by clinic."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd

from analytics.analyses.context import Method, describe
from analytics.analyses.groups import find_groups, typed
from analytics.courses.cohort import Cohort
from analytics.definitions.checks import NO_RECORD
from analytics.results import ESTIMATES, Phrase, Result
from analytics.stats.proportions import wilson

_METHOD = Method(Phrase("method.records"), "Wilson 1927, J Am Stat Assoc 22:209")
_ADDRESS = ["file", "sheet", "line"]


def estimates(cohort: Cohort, *, by: Sequence[str] = ()) -> Result:
    """Return the share of records that no hard rule keeps out.

    Parameters
    ----------
    cohort
        With the ledger of all exports.
    by
        Nothing or ``clinic``; a record whose clinic nobody can tell is in no clinic.

    Returns
    -------
    Result
        Estimates of ``records_passing``: numerator kept, denominator kept and quarantined;
        records sent twice, and lines that are no record, are outside.
    """
    pieces = cohort.ledger.pieces
    pieces = pieces.assign(clinic=_find_clinics(cohort, pieces).array)
    _, codes, labels = find_groups(pieces, by)
    group = codes.to_numpy()

    def count(which: pd.Series) -> np.ndarray:
        keep = which.fillna(False).to_numpy(dtype=bool) & (group >= 0)
        return np.bincount(group[keep], minlength=len(labels))

    kept = count(pieces["fate"].eq("kept"))
    is_record = ~pieces["reason"].isin(NO_RECORD)
    refused = count(pieces["fate"].eq("quarantined") & is_record)
    outside = count(pieces["fate"].eq("merged") | ~is_record)
    at = wilson(kept, kept + refused)
    frame = labels.assign(
        measure="records_passing",
        n=kept + refused + outside,
        denominator=kept + refused,
        numerator=kept,
        estimate=at.estimate,
        lower=at.lower,
        upper=at.upper,
        outside=outside,
        immature=0,
        unknown=0,
    )
    context = describe(cohort, "records_passing", cohort.feet, method=_METHOD, unit="record")
    children = cohort.feet.groupby("clinic")["child"].nunique().rename("children").reset_index()
    beside = {"children": children} if "clinic" in by else {}
    return Result(ESTIMATES, typed(frame, ESTIMATES, by), context, tuple(by), beside)


def _find_clinics(cohort: Cohort, pieces: pd.DataFrame) -> pd.Series:
    """Return the clinic of each record: that of its visit, else that of the fault found."""
    told = [
        table[[*_ADDRESS, "clinic"]]
        for table in (cohort.visits, cohort.ledger.flags)
        if set(_ADDRESS) <= set(table.columns)
    ]
    if not told:
        return pd.Series(pd.NA, index=pieces.index, dtype="string")
    known = pd.concat([_as_text(table) for table in told], ignore_index=True)
    known = known.dropna(subset="clinic").drop_duplicates(_ADDRESS)
    return _as_text(pieces[_ADDRESS]).merge(known, on=_ADDRESS, how="left")["clinic"]


def _as_text(table: pd.DataFrame) -> pd.DataFrame:
    # A workbook's sheet may be missing on one side and empty on the other.
    return table.astype("string").assign(sheet=lambda t: t["sheet"].fillna(""))
