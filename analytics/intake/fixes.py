"""The list of records to fix, for the clinics that sent them."""

from __future__ import annotations

import pandas as pd

from analytics.definitions.labels import labels
from analytics.intake.records import Records

FIX_COLUMNS = (
    "clinic", "file", "sheet", "line", "child", "side", "on", "rule", "severity", "found", "what",
    "todo",
)  # fmt: skip


def records_to_fix(records: Records, language: str = "en") -> pd.DataFrame:
    """Return every fault found, what is wrong and what to do.

    Parameters
    ----------
    records
        Records with their ledger.
    language
        Language of the words.

    Returns
    -------
    DataFrame
        ``clinic, file, sheet, line, child, side, on, rule, severity, found, what, todo``: hard
        faults first, then the rules with the most rows, then by clinic and address.
    """
    flags = records.ledger.flags
    words = labels(language)
    listed = flags.assign(
        what=flags["rule"].map(lambda rule: words[f"check.{rule}.what"]).astype("string"),
        todo=flags["rule"].map(lambda rule: words[f"check.{rule}.todo"]).astype("string"),
        is_soft=flags["severity"].ne("hard"),
        n_rule=-flags.groupby("rule")["rule"].transform("size"),
    )
    order = ["is_soft", "n_rule", "rule", "clinic", "file", "sheet", "line"]
    listed = listed.sort_values(order, kind="stable", ignore_index=True)
    return listed[list(FIX_COLUMNS)]
