"""Why a number is not what the last report said: who entered, matured or changed, which rule."""

from __future__ import annotations

import hashlib
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import asdict, dataclass
from typing import Any

import numpy as np
import pandas as pd

from analytics.analyses.verdicts import VERDICTS, find_places
from analytics.analyses.view import View
from analytics.courses.cohort import Cohort
from analytics.definitions.fingerprint import fingerprint_of
from analytics.definitions.indicator import Indicator

#: Why a unit counts otherwise than in the last report, first match wins.
CAUSES = ("entered", "left", "matured", "changed")


#: A verdict's letter to its name.
_NAMES = {name[0]: name for name in VERDICTS}

#: Feet whose facts are written out at a time.
_AT_ONCE = 20_000


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
    codes
        ``foot`` and ``child`` to the codes of the indicators that count them.
    units
        The same to the key of each, child and side or child, and to its verdict by each of these
        indicators: one letter each, as a text for an indicator would take a hundred times that.
    """

    cut_off: str
    definitions: Mapping[str, str]
    windows: Mapping[str, float]
    feet: Mapping[str, str]
    codes: Mapping[str, Sequence[str]]
    units: Mapping[str, Mapping[str, str]]

    def verdicts(self, code: str) -> dict[str, str] | None:
        """Return the verdict of each unit by an indicator; nothing where it was not asked."""
        for unit, codes in self.codes.items():
            if code in codes:
                place = codes.index(code)
                return {key: _NAMES[said[place]] for key, said in self.units[unit].items()}
        return None


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
    view, feet = View(cohort), cohort.feet
    keys = {"foot": _keys(feet), "child": feet["child"].iloc[view.first]}
    counted = {unit: [i for i in asked if (i.unit == "child") == (unit == "child")]
               for unit in keys}  # fmt: skip
    return State(
        cut_off=cohort.cut_off.isoformat(),
        definitions={i.code: fingerprint_of(i) for i in asked},
        windows=windows,
        feet=dict(zip(keys["foot"], _digest(feet), strict=True)),
        codes={unit: [i.code for i in own] for unit, own in counted.items()},
        units={
            unit: dict(zip(keys[unit], _letters(view, unit, own), strict=True)) if own else {}
            for unit, own in counted.items()
        },
    )


def _letters(view: View, unit: str, indicators: Sequence[Indicator]) -> list[str]:
    """Return the verdicts of each unit, one letter for each indicator."""
    letters = np.array([name[0] for name in VERDICTS], dtype="S1")
    stands = view.child if unit == "child" else np.arange(len(view))
    order = stands[view.first] if unit == "child" else stands
    said = np.empty((len(order), len(indicators)), dtype="S1")
    for at, indicator in enumerate(indicators):
        place, verdict = find_places(view, indicator)
        of_unit = np.zeros(len(order), dtype=np.int64)
        of_unit[stands[place]] = verdict
        said[:, at] = letters[of_unit[order]]
    return [line.decode() for line in said.view(f"S{len(indicators)}").ravel()]


def pack(state: State) -> dict[str, Any]:
    """Return a state as plain data."""
    return dict(vars(state))


def unpack(tree: Mapping[str, Any]) -> State:
    """Return the state that ``pack`` made plain."""
    return State(**tree)


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
    codes = dict.fromkeys([*now.definitions, *last.definitions])
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
    then, today = last.verdicts(code), now.verdicts(code)
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


def _keys(feet: pd.DataFrame) -> pd.Series:
    return feet["child"] + " " + feet["side"]


def _digest(feet: pd.DataFrame) -> list[str]:
    """Return a short hash of every foot's facts, the same on every machine."""
    return [line for at in range(0, len(feet), _AT_ONCE)
            for line in _digest_some(feet.iloc[at : at + _AT_ONCE])]  # fmt: skip


def _digest_some(feet: pd.DataFrame) -> list[str]:
    text = feet.astype("string").fillna("").to_numpy(dtype=object)
    lines = np.array(["\x1f".join(row) for row in text], dtype=object)
    return [hashlib.sha256(line.encode("utf-8")).hexdigest()[:12] for line in lines]
