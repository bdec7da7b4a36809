"""A reader who tries to work out withheld counts, written without the code that withholds them.

Sees a released frame and, as the worst case, the totals that other tables of the report show.
Every whole-number table that fits what is seen is tried out; what a count may be in any of them is
all that the reader knows of it.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import product

import numpy as np
import pandas as pd

#: The reader takes no count to be larger than this where no total is known.
MOST = 9


@dataclass(frozen=True)
class Sum:
    """whole = sum of parts; each a name of a variable or a number."""

    whole: str | int
    parts: tuple[str | int, ...]


def solutions(names: Sequence[str], sums: Sequence[Sum], most: int) -> Iterator[dict[str, int]]:
    """Yield every assignment of 0..most to the names that fits all sums."""
    yield from _extend({}, list(names), list(sums), most)


def _extend(
    known: dict[str, int], names: list[str], sums: list[Sum], most: int
) -> Iterator[dict[str, int]]:
    for one in sums:
        terms = [(one.whole, -1), *((part, 1) for part in one.parts)]
        free = [(t, s) for t, s in terms if isinstance(t, str) and t not in known]
        given = sum(s * (t if isinstance(t, int) else known[t]) for t, s in terms
                    if (t, s) not in free)  # fmt: skip
        if not free and given != 0:
            return
        if all(s > 0 for _, s in free) and given > 0:
            return
        if len(free) == 1:
            name, sign = free[0]
            value = -sign * given
            if value < 0 or value > most:
                return
            yield from _extend(known | {str(name): value}, names, sums, most)
            return
    rest = [name for name in names if name not in known]
    if not rest:
        yield dict(known)
        return
    for value in range(most + 1):
        yield from _extend(known | {rest[0]: value}, names, sums, most)


def possible(names: Sequence[str], sums: Sequence[Sum], most: int) -> dict[str, set[int]]:
    """Return what each variable may be."""
    found: dict[str, set[int]] = {name: set() for name in names}
    for solution in solutions(names, sums, most):
        for name in names:
            found[name].add(solution[name])
    return found


def shares_by_group(frame: pd.DataFrame, totals: Mapping[str, int | None]) -> dict[str, set[int]]:
    """Return what may be known of one measure split by group.

    Parameters
    ----------
    frame
        Released ``n, denominator, numerator`` of each group; withheld is missing.
    totals
        Of each of these columns; None where it is shown nowhere.

    Returns
    -------
    dict
        ``<column><row>`` of each column, and of ``no``, to its possible values.
    """
    num, den, n = (_columns(frame[c], totals[c]) for c in ("numerator", "denominator", "n"))
    num_fits = (num[:, None, :] <= den[None, :, :]).all(axis=2)
    n_fits = (den[:, None, :] <= n[None, :, :]).all(axis=2)
    num_fits &= n_fits.any(axis=1)[None, :]
    n_fits &= num_fits.any(axis=0)[:, None]
    found: dict[str, set[int]] = {}
    for row in range(len(frame)):
        found[f"numerator{row}"] = set(num[num_fits.any(axis=1), row])
        found[f"denominator{row}"] = set(den[num_fits.any(axis=0), row])
        found[f"n{row}"] = set(n[n_fits.any(axis=0), row])
        found[f"no{row}"] = set((den[None, :, row] - num[:, None, row])[num_fits])
    return found


def _columns(shown: pd.Series, total: int | None) -> np.ndarray:
    """Return (possibilities, rows): every filling of the withheld cells that fits the total."""
    given = [None if pd.isna(value) else int(value) for value in shown]
    free = [i for i, value in enumerate(given) if value is None]
    seen = sum(value for value in given if value is not None)
    most = range(MOST + 1) if total is None else range(max(total - seen, 0) + 1)
    fillings = []
    for values in product(most, repeat=len(free)):
        if total is not None and seen + sum(values) != total:
            continue
        filled = list(given)
        for place, value in zip(free, values, strict=True):
            filled[place] = value
        fillings.append(filled)
    return np.array(fillings, dtype=int).reshape(len(fillings), len(given))
