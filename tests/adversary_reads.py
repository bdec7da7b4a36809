"""What a reader takes from each public table; see ``adversary.py``."""

from __future__ import annotations

from collections.abc import Iterable, Mapping

import numpy as np
import pandas as pd
from adversary import SMALL, TEN, Key, Model
from adversary_ways import NETWORK, read_curve, read_flow, tie_ways
from public_run import Shown

from analytics.definitions.indicators import INDICATORS
from analytics.sharing.clinics import OTHER_CLINICS

#: Steps of shares, the finest first; a step is worth at least five of those counted.
STEPS = (0.01, 0.02, 0.05, 0.1)

PARTS = ("denominator", "outside", "immature", "unknown")


def read_run(model: Model, run: Iterable[Shown], tag: str) -> None:
    """Take in every table of a run."""
    for shown in run:
        _READERS.get(shown.result.shape.name, _read_counts)(model, shown, tag)
    _tie_margins(model, tag)


def _read_counts(model: Model, shown: Shown, tag: str) -> None:
    result, released = shown.result, shown.released
    by = (
        result.groups[0]
        if result.groups
        else {"trend": "period", "comparison": "unit"}.get(result.shape.name, "")
    )
    kind = {"period": "quarter", "unit": "clinic"}.get(by, by)
    prefix = "" if result.shape.name == "estimates" else result.context.question.split("_", 1)[1]
    columns = [c for c in ("n", *PARTS, "numerator") if c in result.frame]
    levels: dict[str, dict[str, dict[str, Key]]] = {}
    for row in result.frame.to_dict("records"):
        measure = prefix or str(row["measure"])
        level = str(row[by]) if by else ""
        place = (tag, measure, *(NETWORK if level == "all" or not by else (kind, level)))
        keys = {c: model.count((*place, c), row[c]) for c in columns if not pd.isna(row[c])}
        levels.setdefault(measure, {})[level] = keys
        _tie_row(model, place, keys, row)
    _read_released(model, released, levels, (by, prefix, shown.letters))


def _tie_row(model: Model, place: Key, keys: dict[str, Key], row: dict[str, object]) -> None:
    """Tie what adds up within one row."""
    if all(name in keys for name in ("n", *PARTS)):
        model.tie({keys["n"]: -1} | {keys[name]: 1 for name in PARTS})
    if "numerator" in keys and int(row["numerator"]) <= int(row["denominator"]):  # type: ignore
        no = model.count((*place, "no"), int(row["denominator"]) - int(row["numerator"]))  # type: ignore
        model.tie({keys["denominator"]: 1, keys["numerator"]: -1, no: -1})
        model.withheld.setdefault(no, f"{' '.join(place)} (no)")


def _read_released(model, released, levels, how) -> None:  # type: ignore[no-untyped-def]
    rows, hidden = (frame.to_dict("records") for frame in (released.frame, released.hidden))
    cells = list(_released_cells(rows, levels, how))
    for position, column, keys in cells:
        # Why units were not counted is withheld by group, however many they were.
        is_small = hidden[position][column] and not (released.groups and column in PARTS[1:])
        if is_small:
            where = f"{released.name}, row {position} ({' '.join(keys[0][:-1])}), {column}"
            model.hide(keys, where)
        elif pd.isna(rows[position][column]):
            model.note(keys, f"{released.name}, row {position}, {column}")
        else:
            model.show(keys, int(rows[position][column]))
    _read_absent(model, released, levels, cells)
    if "estimate" in released.frame:
        _read_shares(model, (rows, hidden), cells)


def _read_absent(model, released, levels, cells) -> None:  # type: ignore[no-untyped-def]
    """Take a group that no row stands for as one of fewer than five."""
    seen = {key for _, _, keys in cells for key in keys}
    size = "n" if "n" in released.frame else "denominator"
    for groups in levels.values():
        for keys in groups.values():
            if size in keys and keys[size] not in seen:
                model.hide([keys[size]], f"{released.name}, no row ({' '.join(keys[size][:-1])})")
                model.note(list(keys.values()), f"{released.name}, no row")


def _read_shares(model, shown, cells) -> None:  # type: ignore[no-untyped-def]
    """Take a share as lying within half a step of what is shown, or as of few."""
    rows, hidden = shown
    found: dict[int, dict[str, list[Key]]] = {}
    for position, column, keys in cells:
        found.setdefault(position, {})[column] = keys
    for position, keys in found.items():
        share = rows[position]["estimate"]
        if "numerator" not in keys:
            continue
        if pd.isna(share):
            if hidden[position]["estimate"]:
                _read_withheld(model, keys)
        elif share <= 1:
            _read_share(model, keys, rows[position])


def _read_share(model: Model, keys: Mapping[str, list[Key]], row: Mapping[str, object]) -> None:
    share = float(row["estimate"])  # type: ignore[arg-type]
    yes, no = (_sum(model, keys, part, 0.0) for part in (1, -1))
    n = (yes + no + TEN // 2) // TEN * TEN
    step = next(s for s in STEPS if s * n >= SMALL.stop - 1e-9)
    assert abs(share / step - round(share / step)) < 1e-9, (share, n)
    is_of_shown = not (pd.isna(row["numerator"]) or pd.isna(row["denominator"]))
    if is_of_shown and 0 < share < 1:
        # The share of the counts beside it, so it tells no more than they do.
        told = min(float(row["numerator"]) / float(row["denominator"]), 1.0)  # type: ignore
        nearest = min(max(np.rint(told / step) * step, step), 1 - step)
        assert abs(share - nearest) < 1e-9, (share, told, step)
    for part, end in ((1, share), (-1, 1 - share)):
        if round(end, 9) == 0:
            # Fewer than five are shown as none; a reader may guess which of the two ends holds.
            is_few = step / 2 * (yes + no) < SMALL.stop - 1
            most = 0.0 if is_few else step / 2
            model.add(_terms(keys, part, most), -np.inf, 4 * is_few + 1e-6)
            continue
        if not is_of_shown:
            model.add(_terms(keys, part, end + step / 2), -np.inf, 1e-6)
        model.add(_terms(keys, part, 0.0), SMALL.stop, np.inf)
        # Neither all nor none, and not so near to it that it would be called so.
        model.add(_terms(keys, part, step / 2), -1e-6, np.inf)


def _read_withheld(model: Model, keys: Mapping[str, list[Key]]) -> None:
    """Take a share that is withheld though enough were counted as of few, or of nearly all."""
    yes, no = (_sum(model, keys, part, 0.0) for part in (1, -1))
    if yes + no >= 45 and min(yes, no) < SMALL.stop:
        model.add(_terms(keys, 1 if yes < no else -1, 0.0), 0, SMALL.stop - 1)


def _terms(keys: Mapping[str, list[Key]], part: int, times: float) -> dict[Key, float]:
    """Return the yes (1) or the no (-1) less a share of all counted, as terms of a sum."""
    terms = dict.fromkeys(keys["numerator"], float(part))
    for key in keys["denominator"]:
        terms[key] = terms.get(key, 0.0) + (part < 0) - times
    return terms


def _sum(model: Model, keys: Mapping[str, list[Key]], part: int, times: float) -> float:
    return sum(c * model.truth[key] for key, c in _terms(keys, part, times).items())


def _released_cells(rows, levels, how):  # type: ignore[no-untyped-def]
    """Yield row, column and the unknowns that each cell of a public table adds up."""
    by, prefix, letters = how
    back = {letter: clinic for clinic, letter in letters.items()}
    for position, row in enumerate(rows):
        known = levels[prefix or str(row["measure"])]
        level = str(row[by]) if by else ""
        names = [back.get(level, level)]
        if level == OTHER_CLINICS:
            names = [clinic for clinic in known if clinic not in letters]
        for column in (c for c in ("n", *PARTS, "numerator") if c in row):
            keys = [known[name][column] for name in names if column in known.get(name, {})]
            if keys:
                yield position, column, keys


def _read_profile(model: Model, shown: Shown, tag: str) -> None:
    frame, released = shown.result.frame, shown.released
    frame = frame.loc[frame["statistic"].eq("share") & frame["n"].gt(0)]
    unit, context = shown.result.context.unit, shown.result.context
    whole = model.count((tag, unit, *NETWORK, "n"), context.n_feet or 0)
    if released.context.n_feet is not None:
        model.show([whole], released.context.n_feet)
    shows = released.frame.set_index(["variable", "level"])
    for variable, rows in frame.groupby("variable", sort=False):
        keys = [
            model.count((tag, f"{unit}s", str(variable), str(r["level"]), "n"), r["n"])
            for _, r in rows.iterrows()
        ]
        gap = model.count((tag, f"{unit}s", str(variable), "", "missing"), rows["missing"].iloc[0])
        model.tie({whole: -1, gap: 1} | dict.fromkeys(keys, 1))
        for key, level in zip(keys, rows["level"], strict=True):
            where = f"{released.name}, {variable} {level}"
            if (variable, level) not in shows.index:
                model.hide([key], where)
                continue
            row = shows.loc[(variable, level)]
            for one, column in ((key, "n"), (gap, "missing")):
                if pd.isna(row[column]):
                    model.hide([one], f"{where}, {column}")
                else:
                    model.show([one], int(row[column]))


def _tie_margins(model: Model, tag: str) -> None:
    """Tie tables to each other: groups to the network, lines of bounds, what counts the same."""
    groups: dict[tuple[str, str, str], list[Key]] = {}
    for key in [k for k in model.truth if k[0] == tag and len(k) == 5]:
        groups.setdefault((key[1], key[2], key[4]), []).append(key)
    for (measure, kind, column), keys in groups.items():
        whole = (tag, measure, *NETWORK, column)
        if whole not in model.truth or kind == "":
            continue
        is_whole = kind == "clinic"
        model.tie({whole: 1} | dict.fromkeys(keys, -1), 0, 0.0 if is_whole else np.inf)
    _tie_bounds(model, tag)
    tie_ways(model, tag)
    _tie_units(model, groups, tag)


def _tie_units(model: Model, groups: Mapping[tuple[str, str, str], list[Key]], tag: str) -> None:
    """Tie how many units there are, whatever is asked of them."""
    for measure, indicator in INDICATORS.items():
        deed = "children_begun" if indicator.unit == "child" else "feet_begun"
        for key in groups.get((deed, "quarter_done", "n"), []):
            other = (tag, measure, "quarter", key[3], "n")
            if other in model.truth:
                model.tie({key: 1, other: -1})
        feet, n = (tag, "foot", *NETWORK, "n"), (tag, measure, *NETWORK, "n")
        if indicator.unit == "foot" and n in model.truth and feet in model.truth:
            model.tie({feet: 1, n: -1})


_READERS = {"profile": _read_profile, "flow": read_flow, "curve": read_curve}


def _tie_bounds(model: Model, tag: str) -> None:
    for key in [k for k in model.truth if k[0] == tag and k[1].endswith(".seen")]:
        code, column = key[1].removesuffix(".seen"), key[-1]
        low, high, plain = (
            (tag, name, *NETWORK, column) for name in (f"{code}.lowest", f"{code}.highest", code)
        )
        gap = (tag, f"{code}.seen", *NETWORK, "unknown")
        if column == "denominator":
            model.tie({low: 1, key: -1, gap: -1})
            model.tie({high: 1, low: -1})
            model.tie({low: 1, plain: -1, (tag, code, *NETWORK, "unknown"): -1})
        if column == "numerator":
            model.tie({low: 1, key: -1})
            model.tie({high: 1, low: -1, gap: -1})
            model.tie({low: 1, plain: -1})
        if column in ("n", "outside", "immature"):
            model.tie({key: 1, plain: -1})
