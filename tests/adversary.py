"""A reader who has all public tables of a run, and of the last one, and an integer solver.

Written without the code that withholds: counts are unknowns; what is shown says between which ends
they lie (a count shown as 20 is 15 to 24, one withheld is 0 to 4, a share lies within half a step);
and sums that hold by what the tables mean tie them, whatever table they stand in
(``adversary_reads.py``). A small count is recovered when its least and its largest possible value
are the same. Where the reader needs to guess (that mature quarters do not change, that counts only
grow), the guess is always right.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
from scipy.optimize import Bounds, LinearConstraint, milp
from scipy.sparse import csr_matrix

SMALL = range(1, 5)

#: How the public is told that counts are given: to the nearest ten, halves up.
TEN = 10

#: Random aims tried before cells are looked at one by one.
N_GUESSES = 8

Key = tuple[str, ...]


@dataclass
class Model:
    """Unknown counts with their true values, and what the reader knows of them."""

    truth: dict[Key, int] = field(default_factory=dict)
    ends: dict[Key, tuple[int, int]] = field(default_factory=dict)
    withheld: dict[Key, str] = field(default_factory=dict)
    rows: list[tuple[dict[Key, float], float, float]] = field(default_factory=list)

    def count(self, key: Key, value: int) -> Key:
        """Name an unknown; the same one told twice must have one value."""
        known = self.truth.setdefault(key, int(value))
        assert known == int(value), (key, known, value)
        return key

    def tie(self, terms: Mapping[Key, float], low: float = 0, high: float = 0.0) -> None:
        """Add that a sum lies between two numbers, where it truly does."""
        value = sum(sign * self.truth[key] for key, sign in terms.items())
        if low <= value <= high:
            self.rows.append((dict(terms), low, high))

    def show(self, keys: Sequence[Key], value: int) -> None:
        """Tell the reader the sum of some unknowns to the nearest ten."""
        assert value % TEN == 0, value
        self._bound(keys, max(value - TEN // 2, SMALL.stop), value + TEN // 2 - 1)

    def hide(self, keys: Sequence[Key], where: str) -> None:
        """Note a cell that is withheld for being small."""
        self._bound(keys, 0, SMALL.stop - 1)
        self.note(keys, where)

    def add(self, terms: Mapping[Key, float], low: float, high: float) -> None:
        """Add that a sum lies between two numbers; an error where it does not."""
        value = sum(sign * self.truth[key] for key, sign in terms.items())
        assert low - 1e-6 <= value <= high + 1e-6, (terms, low, value, high)
        self.rows.append((dict(terms), low, high))

    def note(self, keys: Sequence[Key], where: str) -> None:
        """Note that a count should not be found."""
        for key in keys:
            self.withheld.setdefault(key, where)

    def _bound(self, keys: Sequence[Key], low: int, high: int) -> None:
        true = sum(self.truth[key] for key in keys)
        assert low <= true <= high, (keys, low, true, high)
        if len(keys) == 1:
            least, most = self.ends.get(keys[0], (low, high))
            self.ends[keys[0]] = (max(least, low), min(most, high))
        elif keys:
            self.rows.append((dict.fromkeys(keys, 1.0), low, high))


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


class _Problem:
    """The unknowns as a whole-number program; values once found possible are kept."""

    def __init__(self, model: Model) -> None:
        self.keys = list(model.truth)
        self.place = {key: i for i, key in enumerate(self.keys)}
        self.truth = np.array([model.truth[k] for k in self.keys], dtype=float)
        lower, upper = (
            np.array([model.ends.get(k, (0, np.inf))[end] for k in self.keys], float)
            for end in (0, 1)
        )
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
