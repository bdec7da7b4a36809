"""Small results that the tests of protection and display share."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import date
from typing import Any

import pandas as pd

from analytics.results import CURVE, ESTIMATES, Context, Phrase, Result


def context(question: str = "indicators", **changes: Any) -> Context:
    """Return a context; any of its fields may be given."""
    given = {
        "population": Phrase(f"population.{question}" if question != "tenotomy_rate" else
                             "population.indicators"),
        "unit": "foot",
        "cut_off": date(2025, 3, 31),
        "method": Phrase("method.count"),
        "n_feet": 3046,
        "n_children": 2011,
    }  # fmt: skip
    return Context(question, **(given | changes))


def estimates_frame(rows: Sequence[Mapping[str, Any]]) -> pd.DataFrame:
    """Return an estimates frame; what a row does not say is 0, its figures follow from counts."""
    groups = [c for c in rows[0] if c not in ESTIMATES.columns]
    nothing = {"measure": "tenotomy_rate", "outside": 0, "immature": 0, "unknown": 0}
    frame = pd.DataFrame([nothing | row for row in rows])
    share = frame["numerator"].astype(float) / frame["denominator"].astype(float)
    for column, value in (("estimate", share), ("lower", share - 0.1), ("upper", share + 0.1)):
        if column not in frame:
            frame[column] = value.clip(0, 1)
    return frame[[*groups, *ESTIMATES.columns]]


def curve_result(
    ends: Mapping[str, Sequence[tuple[float, bool]]],
    *,
    group: str = "severity_band",
    **changes: Any,
) -> Result:
    """Return Kaplan-Meier curves of (time, is event) pairs by group, worked out step by step.

    A single group named "" gives a curve without groups.
    """
    parts = []
    for name, rows in ends.items():
        part = pd.DataFrame(_steps(rows)).assign(state="relapse_free")
        parts.append(part.assign(**{group: name}) if name else part)
    groups = () if "" in ends else (group,)
    frame = pd.concat(parts, ignore_index=True)[[*groups, *CURVE.columns]]
    return Result(CURVE, frame, context("relapse", **changes), groups)


def _steps(rows: Sequence[tuple[float, bool]]) -> list[dict[str, float]]:
    free = 1.0
    steps = [_step(0.0, len(rows), events=0, censored=0, free=1.0)]
    for time in sorted({t for t, _ in rows}):
        at_risk = sum(t >= time for t, _ in rows)
        events = sum(t == time and is_event for t, is_event in rows)
        censored = sum(t == time and not is_event for t, is_event in rows)
        free *= 1 - events / at_risk
        steps.append(_step(time, at_risk, events=events, censored=censored, free=free))
    return steps


def _step(
    time: float, at_risk: int, *, events: int, censored: int, free: float
) -> dict[str, float]:
    return {
        "time": time,
        "at_risk": at_risk,
        "events": events,
        "censored": censored,
        "estimate": free,
        "lower": max(free - 0.05, 0.0),
        "upper": min(free + 0.05, 1.0),
    }
