"""Why a number is not what the last report said: who entered, matured or changed, which rule."""

from __future__ import annotations

import hashlib
from collections.abc import Iterable, Mapping
from dataclasses import asdict, dataclass
from typing import Any

import numpy as np
import pandas as pd

from analytics.analyses.verdicts import VERDICTS, find_verdicts
from analytics.courses.cohort import Cohort
from analytics.definitions.fingerprint import fingerprint_of
from analytics.definitions.indicator import Indicator

#: Why a unit counts otherwise than in the last report, first match wins.
CAUSES = ("entered", "left", "matured", "changed")


@dataclass(frozen=True)
class State:
    """What a report rested on, kept so that the next one can be compared with it.

    Parameters
    ----------
    cut_off
        As text.
    definitions
        Code of an indicator to the fingerprint of its rule.
    windows
        Windows in force.
    feet
        ``child, side, facts`` (a hash of all columns of the foot).
    verdicts
        Code to the verdict of each unit, keyed by child, or by child and side.
    """

    cut_off: str
    definitions: Mapping[str, str]
    windows: Mapping[str, float]
    feet: Mapping[str, str]
    verdicts: Mapping[str, Mapping[str, str]]


@dataclass(frozen=True)
class Restated:
    """One indicator then and now.

    Parameters
    ----------
    code
        Of the indicator.
    was, now
        Numerator and denominator; None where the indicator was not there.
    causes
        Cause to the change of numerator and denominator that it made.
    units
        Cause to the children (with the side) behind it.
    is_redefined
        Whether its rule changed, so that every change may be of the rule.
    """

    code: str
    was: tuple[int, int] | None
    now: tuple[int, int] | None
    causes: Mapping[str, tuple[int, int]]
    units: Mapping[str, tuple[str, ...]]
    is_redefined: bool


@dataclass(frozen=True)
class Changes:
    """What is different since the last report: feet, windows, and every indicator."""

    entered: tuple[str, ...]
    left: tuple[str, ...]
    changed: tuple[str, ...]
    windows: Mapping[str, tuple[float | None, float | None]]
    indicators: tuple[Restated, ...]


def build_state(cohort: Cohort, indicators: Iterable[Indicator]) -> State:
    """Return what a report rests on; pseudonyms in it keep it inside the programme."""
    asked = [i for i in indicators if i.kind in ("share", "curve")]
    windows = {name: float(value) for name, value in asdict(cohort.protocol).items()}
    return State(
        cut_off=cohort.cut_off.isoformat(),
        definitions={i.code: fingerprint_of(i) for i in asked},
        windows=windows,
        feet=dict(zip(_keys(cohort.feet), _digest(cohort.feet), strict=True)),
        verdicts={i.code: _verdicts(cohort, i) for i in asked},
    )


def pack(state: State) -> dict[str, Any]:
    """Return a state as plain data: each unit with one letter for its verdict by each indicator."""
    letters = {name: name[0] for name in VERDICTS}
    by_unit: dict[str, list[str]] = {"foot": [], "child": []}
    for code, verdicts in state.verdicts.items():
        # A foot's key holds its side too; an indicator that met nobody may stand with either.
        is_foot = all(key in state.feet for key in verdicts)
        by_unit["foot" if is_foot else "child"].append(code)
    units = {}
    for unit, codes in by_unit.items():
        keys = dict.fromkeys(key for code in codes for key in state.verdicts[code])
        units[unit] = {
            key: "".join(letters[state.verdicts[code][key]] for code in codes) for key in keys
        }
    plain = {name: getattr(state, name) for name in ("cut_off", "definitions", "windows", "feet")}
    return plain | {"codes": by_unit, "units": units}


def unpack(tree: Mapping[str, Any]) -> State:
    """Return the state that ``pack`` made plain."""
    names = {name[0]: name for name in VERDICTS}
    verdicts = {
        code: {key: names[said[place]] for key, said in tree["units"][unit].items()}
        for unit, codes in tree["codes"].items()
        for place, code in enumerate(codes)
    }
    # As they stood in the catalogue of that report.
    ordered = {code: verdicts[code] for code in tree["definitions"]}
    plain = {name: tree[name] for name in ("cut_off", "definitions", "windows", "feet")}
    return State(**plain, verdicts=ordered)


def compare(last: State, now: State) -> Changes:
    """Return what changed from one report to the next.

    Notes
    -----
    The changes of numerator and denominator by cause add up to the difference between the two
    reports. A unit has matured when it was too early then and is not now; it changed when its
    verdict is another for any other reason: a later visit, a corrected record, a new rule.
    """
    both = last.feet.keys() & now.feet.keys()
    names = sorted({*last.windows, *now.windows})
    codes = [*now.verdicts, *(code for code in last.verdicts if code not in now.verdicts)]
    return Changes(
        entered=tuple(sorted(now.feet.keys() - last.feet.keys())),
        left=tuple(sorted(last.feet.keys() - now.feet.keys())),
        changed=tuple(sorted(key for key in both if last.feet[key] != now.feet[key])),
        windows={
            name: (last.windows.get(name), now.windows.get(name))
            for name in names
            if last.windows.get(name) != now.windows.get(name)
        },
        indicators=tuple(_restate(code, last, now) for code in codes),
    )


def _restate(code: str, last: State, now: State) -> Restated:
    then, today = last.verdicts.get(code), now.verdicts.get(code)
    causes = {cause: [0, 0] for cause in CAUSES}
    units: dict[str, list[str]] = {cause: [] for cause in CAUSES}
    for key in {**(then or {}), **(today or {})}:
        before, after = (then or {}).get(key), (today or {}).get(key)
        if before == after:
            continue
        cause = _cause(before, after)
        causes[cause][0] += (after == "yes") - (before == "yes")
        causes[cause][1] += (after in ("yes", "no")) - (before in ("yes", "no"))
        units[cause].append(key)
    return Restated(
        code=code,
        was=_count(then),
        now=_count(today),
        causes={cause: (k, n) for cause, (k, n) in causes.items()},
        units={cause: tuple(sorted(keys)) for cause, keys in units.items()},
        is_redefined=last.definitions.get(code) != now.definitions.get(code),
    )


def _cause(before: str | None, after: str | None) -> str:
    if before is None:
        return "entered"
    if after is None:
        return "left"
    return "matured" if before == "immature" else "changed"


def _count(verdicts: Mapping[str, str] | None) -> tuple[int, int] | None:
    if verdicts is None:
        return None
    said = list(verdicts.values())
    return said.count("yes"), said.count("yes") + said.count("no")


def _verdicts(cohort: Cohort, indicator: Indicator) -> dict[str, str]:
    verdict = find_verdicts(cohort, indicator)
    units = cohort.feet.loc[verdict.index]
    keys = units["child"] if indicator.unit == "child" else _keys(units)
    return dict(zip(keys, verdict, strict=True))


def _keys(feet: pd.DataFrame) -> pd.Series:
    return feet["child"] + " " + feet["side"]


def _digest(feet: pd.DataFrame) -> list[str]:
    """Return a short hash of every foot's facts, the same on every machine."""
    text = feet.astype("string").fillna("").to_numpy(dtype=object)
    lines = np.array(["\x1f".join(row) for row in text], dtype=object)
    return [hashlib.sha256(line.encode("utf-8")).hexdigest()[:12] for line in lines]
