"""From rows to feet to results: what went in, what went on, and why the rest did not."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

import pandas as pd

from analytics.analyses.context import Method, describe
from analytics.courses.cohort import Cohort
from analytics.definitions.steps import FLOW_HORIZON_DAYS
from analytics.results import FLOW, Phrase, Result

_METHOD = Method(Phrase("method.count"))

#: A step: its name, which units reached it, which went on, and why each would not have.
_Stage = tuple[str, pd.Series, pd.Series, pd.Series]


def rows_flow(cohort: Cohort) -> Result:
    """Return how many rows of the exports were kept, merged and quarantined, and why.

    Returns
    -------
    Result
        A flow by file; one line per reason, named ``<fate>.<reason>``.
    """
    cohort.totals.balance()
    lines = []
    for file, part in cohort.totals.rows.groupby("file", sort=True):
        kept = int(part.loc[part["fate"] == "kept", "n"].sum())
        gone = part.loc[part["fate"] != "kept"]
        reasons = gone.groupby(gone["fate"] + "." + gone["reason"])["n"].sum().sort_index()
        step = _step("rows_kept", int(part["n"].sum()), kept, reasons.items())
        lines += [{"file": str(file)} | line for line in step]
    context = describe(cohort, "rows", cohort.feet, method=_METHOD, unit="row")
    return Result(FLOW, _frame(lines, "file"), context, groups=("file",))


def feet_flow(cohort: Cohort) -> Result:
    """Return how many feet started, were corrected and braced, and what became of the others."""
    feet = cohort.feet
    lines = [line for step in _treatment(feet) if step[0] != "tenotomy" for line in _lines(*step)]
    return Result(FLOW, _frame(lines), describe(cohort, "feet", feet, method=_METHOD))


def pathway_flow(cohort: Cohort) -> Result:
    """Return the whole way: rows received, children, feet, treatment, and two years in the brace.

    Returns
    -------
    Result
        A flow without groups. Steps count rows, children and feet (``STEP_UNITS``). ``both_feet``
        and ``tenotomy`` are no steps on the way: nobody leaves there. Feet still followed are
        those neither lost, gone nor finished within ``FLOW_HORIZON_DAYS`` of the brace.
    """
    feet = cohort.feet
    steps = [_both_feet(feet), *_treatment(feet), *_two_years(cohort)]
    lines = [*_arrivals(cohort), *(line for step in steps for line in _lines(*step))]
    return Result(FLOW, _frame(lines), describe(cohort, "pathway", feet, method=_METHOD))


def _arrivals(cohort: Cohort) -> list[dict[str, Any]]:
    """Return what became of rows and of children."""
    fates = cohort.totals.rows.groupby("fate")["n"].sum()
    gone = {f"rows_{fate}": n for fate, n in fates.items() if fate != "kept"}
    n_children, n_seen = cohort.totals.n_children, cohort.feet["child"].nunique()
    not_seen = {"not_seen": n_children - n_seen} if n_children > n_seen else {}
    return [
        *_step("rows_kept", int(fates.sum()), int(fates.get("kept", 0)), gone.items()),
        *_step("children_seen", n_children, n_seen, not_seen.items()),
    ]


def _both_feet(feet: pd.DataFrame) -> _Stage:
    per_child = feet.groupby("child").size()
    return ("both_feet", per_child.gt(0), per_child.gt(1), _same(per_child, "one_foot"))


def _treatment(feet: pd.DataFrame) -> list[_Stage]:
    started = feet["started_on"].notna()
    corrected = started & feet["is_corrected"].fillna(False)
    braced = corrected & feet["brace_on"].notna()
    cut = corrected & feet["has_tenotomy"].fillna(False)
    uncut = feet["has_tenotomy"].map({False: "no_tenotomy"}).astype("string")
    return [
        ("started", _same(feet, True), started, _same(feet, "no_cast_recorded")),
        ("corrected", started, corrected, _why_not(feet)),
        ("tenotomy", corrected, cut, uncut.fillna("tenotomy_not_known")),
        ("braced", corrected, braced, _why_not(feet)),
    ]


def _two_years(cohort: Cohort) -> list[_Stage]:
    """Return which braced feet are old enough, still followed, and free of relapse as far as seen.

    Loss is a limit that passes without a visit; whoever left for a stated reason or finished
    treatment before is named by that.
    """
    feet = cohort.feet
    braced = feet["started_on"].notna() & feet["is_corrected"].fillna(False)
    braced &= feet["brace_on"].notna()
    until = feet["brace_on"] + pd.Timedelta(days=FLOW_HORIZON_DAYS)
    old = braced & until.le(pd.Timestamp(cohort.cut_off))
    lost = feet["lost_on"].le(until).fillna(False)
    followed = old & ~lost & ~feet["due_until_on"].lt(until).fillna(False)
    lasting = followed & ~feet["relapse_on"].le(until).fillna(False)
    return [
        ("braced_2y", braced, old, _same(feet, "too_early")),
        ("followed_2y", old, followed, _why_not(feet).mask(lost, "lost")),
        ("lasting_2y", followed, lasting, _same(feet, "relapsed")),
    ]


def _same(like: pd.DataFrame | pd.Series, value: object) -> pd.Series:
    return pd.Series(value, index=like.index)


def _why_not(feet: pd.DataFrame) -> pd.Series:
    """Name what became of feet, for those that did not reach a step."""
    why = feet["status"].map(
        {"in_care": "still_in_care", "lost": "lost", "departed": "departed", "completed": "ended"}
    )
    died = feet["died_on"].notna()
    return why.astype("string").mask(died, "died").fillna("not_recorded")


def _lines(step: str, before: pd.Series, after: pd.Series, why: pd.Series) -> list[dict[str, Any]]:
    """Return a line for each reason why units that reached a step did not go on."""
    reasons = why.loc[before & ~after].value_counts().sort_index()
    return _step(step, int(before.sum()), int(after.sum()), reasons.items())


def _step(
    step: str, n_in: int, n_out: int, reasons: Iterable[tuple[object, int]]
) -> list[dict[str, Any]]:
    lines = [
        {"step": step, "n_in": n_in, "n_out": n_out, "reason": str(reason), "n_reason": int(n)}
        for reason, n in reasons
    ]
    if lines:
        return lines
    return [{"step": step, "n_in": n_in, "n_out": n_out, "reason": "none", "n_reason": 0}]


def _frame(lines: list[dict[str, Any]], *groups: str) -> pd.DataFrame:
    types = dict.fromkeys(groups, "string")
    types |= {name: "string" if kind == "code" else "Int64" for name, kind in FLOW.columns.items()}
    return pd.DataFrame(lines, columns=list(types)).astype(types)
