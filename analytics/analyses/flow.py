"""From rows to feet to results: what went in, what went on, and why the rest did not."""

from __future__ import annotations

from collections.abc import Iterable

import pandas as pd

from analytics.analyses.context import Method, describe
from analytics.courses.cohort import Cohort
from analytics.results import FLOW, Phrase, Result

_METHOD = Method(Phrase("method.count"))


def rows_flow(cohort: Cohort) -> Result:
    """Return how many rows of the exports were kept, merged and quarantined, and why.

    Returns
    -------
    Result
        A flow by file; one line per reason, named ``<fate>.<reason>``.
    """
    rows = cohort.ledger.rows
    lines = []
    for file, part in rows.groupby("file", sort=True):
        kept = int((part["fate"] == "kept").sum())
        gone = part.loc[part["fate"] != "kept"]
        reasons = (gone["fate"] + "." + gone["reason"].fillna("")).value_counts().sort_index()
        step = _step("rows_kept", len(part), kept, reasons.items())
        lines += [{"file": str(file)} | line for line in step]
    cohort.ledger.balance()
    context = describe(cohort, "rows", cohort.feet, method=_METHOD, unit="row")
    return Result(FLOW, _frame(lines, "file"), context, groups=("file",))


def feet_flow(cohort: Cohort) -> Result:
    """Return how many feet started, were corrected and braced, and what became of the others."""
    feet = cohort.feet
    started = feet["started_on"].notna()
    corrected = started & feet["is_corrected"].fillna(False)
    braced = corrected & feet["brace_on"].notna()
    steps = (
        ("started", pd.Series(True, index=feet.index), started),
        ("corrected", started, corrected),
        ("braced", corrected, braced),
    )
    lines = []
    for step, before, after in steps:
        left = feet.loc[before & ~after]
        reasons = _why_not(left, step).value_counts().sort_index()
        lines += _step(step, int(before.sum()), int(after.sum()), reasons.items())
    return Result(FLOW, _frame(lines), describe(cohort, "feet", feet, method=_METHOD))


def _why_not(feet: pd.DataFrame, step: str) -> pd.Series:
    """Name what became of feet that did not reach a step."""
    if step == "started":
        return pd.Series("no_cast_recorded", index=feet.index, dtype="string")
    why = feet["status"].map(
        {"in_care": "still_in_care", "lost": "lost", "departed": "departed", "completed": "ended"}
    )
    died = feet["died_on"].notna()
    return why.astype("string").mask(died, "died").fillna("not_recorded")


def _step(
    step: str, n_in: int, n_out: int, reasons: Iterable[tuple[object, int]]
) -> list[dict[str, object]]:
    lines: list[dict[str, object]] = [
        {"step": step, "n_in": n_in, "n_out": n_out, "reason": str(reason), "n_reason": int(n)}
        for reason, n in reasons
    ]
    if lines:
        return lines
    return [{"step": step, "n_in": n_in, "n_out": n_out, "reason": "none", "n_reason": 0}]


def _frame(lines: list[dict[str, object]], *groups: str) -> pd.DataFrame:
    types = dict.fromkeys(groups, "string")
    types |= {name: "string" if kind == "code" else "Int64" for name, kind in FLOW.columns.items()}
    return pd.DataFrame(lines, columns=list(types)).astype(types)
