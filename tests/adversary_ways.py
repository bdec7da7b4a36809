"""What a reader takes from flows and curves; see ``adversary.py``."""

from __future__ import annotations

import pandas as pd
from adversary import Key, Model
from public_run import Shown

NETWORK = ("", "")


def read_flow(model: Model, shown: Shown, tag: str) -> None:
    """Take in who went on and who did not: each step adds up, and begins where another ends."""
    steps: dict[str, dict[str, Key]] = {}
    for row in shown.result.frame.to_dict("records"):
        step = steps.setdefault(str(row["step"]), {})
        for name, column in _names(row):
            step[name] = model.count((tag, "flow", "step", str(row["step"]), name), row[column])
    left: list[Key] = []
    for step in steps.values():
        reasons = [key for name, key in step.items() if name not in ("n_in", "n_out")]
        model.tie({step["n_in"]: -1, step["n_out"]: 1} | dict.fromkeys(reasons, 1))
        for key in left:
            model.tie({step["n_in"]: 1, key: -1})
        left.append(step["n_out"])
    told = {
        (str(row["step"]), name): row[column]
        for row in shown.released.frame.to_dict("records")
        for name, column in _names(row)
    }
    for code, step in steps.items():
        for name, key in step.items():
            value = told.get((code, name))
            # What is told of no more is too few, like what is withheld.
            if value is None or pd.isna(value):
                model.hide([key], f"{shown.released.name}, {code} {name}")
            else:
                model.show([key], int(value))


def _names(row: dict[object, object]) -> list[tuple[str, str]]:
    """Return the counts of a row: who came, who went on, and who did not for its reason."""
    why = [(str(row["reason"]), "n_reason")] if row["reason"] != "none" else []
    return [("n_in", "n_in"), ("n_out", "n_out"), *why]


def read_curve(model: Model, shown: Shown, tag: str) -> None:
    """Take in those followed, and how many had an event or left by each step of a curve."""
    by = shown.result.groups
    for name, rows in shown.result.frame.groupby(by[0]) if by else [("", shown.result.frame)]:
        place = (tag, "curve", *((by[0], str(name)) if by else NETWORK))
        coarse = shown.released.frame
        coarse = coarse.loc[coarse[by[0]].eq(name)] if by else coarse
        _read_steps(model, rows, coarse, place)


def _read_steps(model: Model, rows: pd.DataFrame, coarse: pd.DataFrame, place: Key) -> None:
    everybody = model.count((*place, "n"), rows["at_risk"].iloc[0])
    model.note([everybody], f"{' '.join(place)}, all")
    for time in coarse["time"]:
        model.show([everybody], int(coarse["at_risk"].iloc[0]))
        counts = ["events", "censored"]
        true = rows.loc[rows["time"] <= time + 1e-6, counts].sum()
        told = coarse.loc[coarse["time"] <= time, counts].sum()
        parts = []
        for column in counts:
            parts.append(model.count((*place, f"{column} {time:.0f}"), true[column]))
            # Since the start, few are shown as none.
            if told[column]:
                model.show(parts[-1:], int(told[column]))
            else:
                model.hide(parts[-1:], f"{' '.join(place)}, {column} by day {time:.0f}")
        still = model.truth[everybody] - int(true.sum())
        parts.append(model.count((*place, f"still {time:.0f}"), still))
        model.tie({everybody: -1} | dict.fromkeys(parts, 1))


def tie_ways(model: Model, tag: str) -> None:
    """Tie feet that began to all feet, and those corrected to those followed after it."""
    for step, other in (
        (("started", "n_in"), (tag, "foot", *NETWORK, "n")),
        (("corrected", "n_out"), (tag, "curve", *NETWORK, "n")),
    ):
        key = (tag, "flow", "step", *step)
        if key in model.truth and other in model.truth:
            model.tie({key: 1, other: -1})
