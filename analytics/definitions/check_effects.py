"""What a doubtful record can change: indicators by rule, for what a clinic should look at first.

A hard rule keeps the record out, so it can change every indicator and has no entry here. The lists
are our own reading of which dates and counts each indicator rests on.
"""

from __future__ import annotations

from analytics.definitions.checks import CHECKS

_LOSS = (
    "dropped_out", "lost_first_year", "dropped_out_casting", "dropped_out_after_tenotomy",
    "dropped_out_bracing",
)  # fmt: skip
_RELAPSE = ("relapse_free_1y", "relapse_free_2y", "relapse_free_3y", "relapse_free_5y")
_START = ("early_start_6w", "early_start_3m", "early_start_12m", "late_presenters")
_CASTS = ("casts_to_correction", "many_casts")

#: Soft rule to the indicators that its answer can change.
CHANGES: dict[str, tuple[str, ...]] = {
    "unreadable": ("initial_correction", "baseline_score"),
    "limits": ("initial_correction", "baseline_score"),
    "conflict": _START,
    "R03a": _START,
    "R03b": _START,
    "R04": (*_LOSS, *_START, *_RELAPSE, "follow_up_completeness", "initial_correction"),
    "R07": ("baseline_score",),
    "R08": ("initial_correction",),
    "R09": (),
    "R10": (),
    "R11": ("cast_intervals_on_time", "dropped_out_casting"),
    "R12a": _CASTS,
    "R13": _CASTS,
    "R14": ("final_cast_on_time", "dropped_out_after_tenotomy"),
    "R15": ("brace_on_time", "dropped_out_after_tenotomy"),
    "R16": ("repeat_tenotomy", "tenotomy_rate"),
    "R18": ("full_time_completed",),
    "R19a": ("full_time_completed", "reported_adherence"),
    "R21": _RELAPSE,
    "R22": (*_RELAPSE, "relapse_treated"),
    "R23": ("transfer_free_3y", "transfer_free_4y", "transfer_free_6y"),
    "R24": _START,
    "R28": (*_CASTS, "cast_intervals_on_time"),
    "R30": (*_LOSS, "follow_up_completeness"),
    "R31": ("casts_to_correction", "tenotomy_rate"),
}


def count_changes(rule: str, n_indicators: int) -> int:
    """Return how many indicators a fault can change; all of them where it keeps a record out.

    Parameters
    ----------
    rule
        Code of the rule.
    n_indicators
        Size of the catalogue.
    """
    return n_indicators if CHECKS[rule].severity == "hard" else len(CHANGES.get(rule, ()))
