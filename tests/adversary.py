"""A reader who has all public tables of a run, and of the last one, and an integer solver.

Written without the code that withholds: counts are unknowns, what is shown fixes them, and sums
that hold by what the tables mean tie them, whatever table they stand in. A withheld small count is
recovered when its least and its largest possible value are the same. Where the reader needs to
guess (that mature quarters do not change, that counts only grow), the guess is always right.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field

import numpy as np
import pandas as pd
from public_run import Shown
from scipy.optimize import Bounds, LinearConstraint, milp
from scipy.sparse import csr_matrix

from analytics.definitions.indicators import INDICATORS
from analytics.sharing.clinics import OTHER_CLINICS

SMALL = range(1, 5)
PARTS = ("denominator", "outside", "immature", "unknown")
NETWORK = ("", "")

#: Random aims tried before cells are looked at one by one.
N_GUESSES = 8

Key = tuple[str, ...]


@dataclass
class Model:
    """Unknown counts with their true values, and what the reader knows of them."""

    truth: dict[Key, int] = field(default_factory=dict)
    fixed: dict[Key, int] = field(default_factory=dict)
    least: dict[Key, int] = field(default_factory=dict)
    withheld: dict[Key, str] = field(default_factory=dict)
    rows: list[tuple[dict[Key, int], int, float]] = field(default_factory=list)

    def count(self, key: Key, value: int) -> Key:
        """Name an unknown; the same one told twice must have one value."""
        known = self.truth.setdefault(key, int(value))
        assert known == int(value), (key, known, value)
        return key

    def tie(self, terms: dict[Key, int], low: int = 0, high: float = 0.0) -> None:
        """Add that a sum lies between two numbers, where it truly does."""
        value = sum(sign * self.truth[key] for key, sign in terms.items())
        if low <= value <= high:
            self.rows.append((terms, low, high))

    def show(self, keys: Sequence[Key], value: int) -> None:
        """Tell the reader the sum of some unknowns."""
        assert sum(self.truth[key] for key in keys) == value, (keys, value)
        if len(keys) == 1:
            self.fixed[keys[0]] = value
        elif keys:
            self.rows.append((dict.fromkeys(keys, 1), value, float(value)))

    def hide(self, keys: Sequence[Key], where: str, least: int) -> None:
        """Note a withheld cell; the sum of several gets an unknown of its own."""
        key = keys[0]
        if len(keys) > 1:
            key = ("sum", *(part for k in keys for part in k))
            self.count(key, sum(self.truth[k] for k in keys))
            self.tie({key: 1} | dict.fromkeys(keys, -1))
        self.withheld.setdefault(key, where)
        self.least[key] = max(least, self.least.get(key, 0))


def read_run(model: Model, run: Iterable[Shown], tag: str) -> None:
    """Take in every table of a run."""
    for shown in run:
        name = shown.result.shape.name
        if name == "profile":
            _read_profile(model, shown, tag)
        else:
            _read_counts(model, shown, tag)
    _tie_margins(model, tag)


def compare_runs(model: Model, then: str, now: str) -> None:
    """Add what the last report tells of this one, as far as it is true."""
    for key, value in list(model.truth.items()):
        other = (now, *key[1:])
        if key[0] != then or other not in model.truth:
            continue
        same_quarter = key[2] in ("quarter", "quarter_done")
        if same_quarter and model.truth[other] == value:
            model.tie({other: 1, key: -1})
        else:
            model.tie({other: 1, key: -1}, 0, np.inf)


def recovered(model: Model) -> list[str]:
    """Return the withheld small counts that are known for certain, by table and cell."""
    problem = _Problem(model)
    found = []
    for key, where in model.withheld.items():
        if model.truth[key] in SMALL and problem.is_known(key):
            found.append(f"{where} = {model.truth[key]}")
    return found


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
    cells = list(_released_cells(released, levels, how))
    gone = [keys for p, c, keys in cells if released.hidden.iloc[p][c]]
    # Where no zero is withheld the reader takes each withheld count to be at least 1.
    least = int(bool(gone) and all(sum(model.truth[k] for k in keys) for keys in gone))
    for position, column, keys in cells:
        if released.hidden.iloc[position][column]:
            where = f"{released.name}, row {position} ({' '.join(keys[0][:-1])}), {column}"
            model.hide(keys, where, least if column in ("n", "denominator", "numerator") else 0)
        elif not pd.isna(released.frame.iloc[position][column]):
            model.show(keys, int(released.frame.iloc[position][column]))


def _released_cells(released, levels, how):  # type: ignore[no-untyped-def]
    """Yield row, column and the unknowns that each cell of a public table adds up."""
    by, prefix, letters = how
    back = {letter: clinic for clinic, letter in letters.items()}
    frame = released.frame
    columns = [c for c in ("n", *PARTS, "numerator") if c in frame]
    alone = {back[str(level)] for level in frame[by].unique() if str(level) in back} if by else ()
    for position in range(len(frame)):
        row = frame.iloc[position]
        known = levels[prefix or str(row["measure"])]
        level = str(row[by]) if by else ""
        names = [back.get(level, level)]
        if level == OTHER_CLINICS:
            names = [clinic for clinic in known if clinic not in alone]
        for column in columns:
            keys = [known[name][column] for name in names if column in known.get(name, {})]
            if keys:
                yield position, column, keys


def _read_profile(model: Model, shown: Shown, tag: str) -> None:
    frame, released = shown.result.frame, shown.released
    n_feet = model.count((tag, "feet", *NETWORK, "n"), shown.result.context.n_feet or 0)
    if released.context.n_feet is not None:
        model.show([n_feet], released.context.n_feet)
    for variable, rows in frame.groupby("variable", sort=False):
        keys = [
            model.count((tag, "profile", str(variable), str(r["level"]), "n"), r["n"])
            for _, r in rows.iterrows()
        ]
        gap = model.count((tag, "profile", str(variable), "", "missing"), rows["missing"].iloc[0])
        model.tie({n_feet: -1, gap: 1} | dict.fromkeys(keys, 1))
        for key, position in zip(keys, rows.index, strict=True):
            for one, column in ((key, "n"), (gap, "missing")):
                if released.hidden.loc[position, column]:
                    model.hide([one], f"{released.name}, {variable} row {position}, {column}", 0)
                else:
                    model.show([one], int(released.frame.loc[position, column]))


def _tie_margins(model: Model, tag: str) -> None:
    """Tie tables to each other: groups to the network, lines of bounds, what counts the same."""
    groups: dict[tuple[str, str, str], list[Key]] = {}
    for key in [k for k in model.truth if k[0] == tag and len(k) == 5]:
        groups.setdefault((key[1], key[2], key[4]), []).append(key)
    for (measure, kind, column), keys in groups.items():
        whole = (tag, measure, *NETWORK, column)
        if whole not in model.truth or kind in ("", "profile"):
            continue
        is_whole = kind == "clinic"
        model.tie({whole: 1} | dict.fromkeys(keys, -1), 0, 0.0 if is_whole else np.inf)
    _tie_bounds(model, tag)
    for measure, indicator in INDICATORS.items():
        deed = "children_begun" if indicator.unit == "child" else "feet_begun"
        for key in groups.get((deed, "quarter_done", "n"), []):
            other = (tag, measure, "quarter", key[3], "n")
            if other in model.truth:
                model.tie({key: 1, other: -1})
        feet, n = (tag, "feet", *NETWORK, "n"), (tag, measure, *NETWORK, "n")
        if indicator.unit == "foot" and n in model.truth and feet in model.truth:
            model.tie({feet: 1, n: -1})


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


class _Problem:
    """The unknowns as a whole-number program; values once found possible are kept."""

    def __init__(self, model: Model) -> None:
        self.keys = list(model.truth)
        self.place = {key: i for i, key in enumerate(self.keys)}
        self.truth = np.array([model.truth[k] for k in self.keys], dtype=float)
        lower = np.array([model.fixed.get(k, model.least.get(k, 0)) for k in self.keys], float)
        upper = np.array([model.fixed.get(k, np.inf) for k in self.keys], float)
        self.bounds = Bounds(lower, np.minimum(upper, 2 * self.truth.max() + 10))
        entries = [
            (r, self.place[k], sign)
            for r, (terms, _, _) in enumerate(model.rows)
            for k, sign in terms.items()
        ]
        row, column, sign = (np.array(part) for part in zip(*entries, strict=True))
        matrix = csr_matrix((sign.astype(float), (row, column)), (len(model.rows), len(self.keys)))
        low = np.array([r[1] for r in model.rows], float)
        high = np.array([r[2] for r in model.rows], float)
        self.constraint = LinearConstraint(matrix, low, high)
        self.low, self.high = self.truth.copy(), self.truth.copy()
        rng = np.random.default_rng(0)
        for _ in range(N_GUESSES):
            self._solve(rng.normal(size=len(self.keys)))

    def is_known(self, key: Key) -> bool:
        """Return whether only one value of a count fits all that is known."""
        i = self.place[key]
        for sign in (1.0, -1.0):
            if self.low[i] < self.high[i]:
                return False
            aim = np.zeros(len(self.keys))
            aim[i] = sign
            self._solve(aim)
        return bool(self.low[i] == self.high[i])

    def _solve(self, aim: np.ndarray) -> None:
        found = milp(
            aim,
            integrality=np.ones(len(aim)),
            bounds=self.bounds,
            constraints=self.constraint,
            options={"mip_rel_gap": 0.5 if np.count_nonzero(aim) > 1 else 0.0, "time_limit": 20},
        )
        if found.x is None:
            # The true counts always fit, so this is a fault of the model of the reader.
            raise RuntimeError(f"the reader's program has no answer: {found.message}")
        values = np.rint(found.x)
        self.low, self.high = np.minimum(self.low, values), np.maximum(self.high, values)
