"""How many records pass every hard rule, for the network or by clinic."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd

from analytics.analyses.context import Method, describe
from analytics.analyses.groups import find_groups, typed
from analytics.courses.cohort import Cohort
from analytics.results import ESTIMATES, Phrase, Result
from analytics.stats.proportions import wilson

_METHOD = Method(Phrase("method.records"), "Wilson 1927, J Am Stat Assoc 22:209")


def estimates(cohort: Cohort, *, by: Sequence[str] = ()) -> Result:
    """Return the share of records that no hard rule keeps out.

    Parameters
    ----------
    cohort
        With the totals of all exports.
    by
        Nothing or ``clinic``; a record whose clinic nobody can tell is in no clinic.

    Returns
    -------
    Result
        Estimates of ``records_passing``: numerator kept, denominator kept and quarantined;
        records sent twice, and lines that are no record, are outside.
    """
    records = cohort.totals.records
    _, codes, labels = find_groups(records, by)
    group, n = codes.to_numpy(), records["n"].to_numpy()

    def count(which: pd.Series) -> np.ndarray:
        keep = which.fillna(False).to_numpy(dtype=bool) & (group >= 0)
        return np.bincount(group[keep], n[keep], len(labels)).astype(np.int64)

    is_record = records["is_record"]
    kept = count(records["fate"].eq("kept"))
    refused = count(records["fate"].eq("quarantined") & is_record)
    outside = count(records["fate"].eq("merged") | ~is_record)
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
