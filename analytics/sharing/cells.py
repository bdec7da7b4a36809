"""The counts of a table as cells, and the sums by which a reader could work one out."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from itertools import combinations

import numpy as np
import pandas as pd

from analytics.results import COMPARISON, EFFECTS, ESTIMATES, FLOW, PROFILE, TREND, Result
from analytics.sharing.clinics import TOTAL
from analytics.sharing.flows import find_parents

#: How much is lost when a cell is hidden beside a small one; the cheapest is hidden first.
_COSTS = {"n": 3, "denominator": 4, "n_in": 3, "n_out": 3}
_DETAIL, _ZERO, _FIGURE = 0, 1, 2

#: Cells that cost this much are hidden only where a small count would be known for certain.
DEAR = 3


@dataclass
class Cells:
    """Cells and sums under construction.

    A cell that stands in the table may be hidden. One that does not is either known only through
    the sums (``no`` = denominator - numerator), or known to the reader from elsewhere: totals over
    groups count as known, since another table of a report may show them. A guarded cell may not
    be worked out when it is small; a small total is guarded in the table where it stands.
    """

    values: list[int] = field(default_factory=list)
    printed: list[bool] = field(default_factory=list)
    known: list[bool] = field(default_factory=list)
    guarded: list[bool] = field(default_factory=list)
    costs: list[int] = field(default_factory=list)
    sums: list[tuple[tuple[int, int], ...]] = field(default_factory=list)
    places: dict[tuple[int, str], int] = field(default_factory=dict)

    def add(self, value: int, *, column: str = "") -> int:
        """Add a cell to guard; one with a column stands in the table."""
        return self._add(value, column=column, known=False, guarded=True)

    def add_loose(self, value: int) -> int:
        """Add a cell that is not printed and need not be guarded, but is not negative either."""
        return self._add(value, column="", known=False, guarded=False)

    def add_total(self, value: int, smallest: int) -> int:
        """Add a total that the reader knows from elsewhere, unless it is small there too."""
        return self._add(value, column="", known=not 0 < value < smallest, guarded=False)

    def _add(self, value: int, *, column: str, known: bool, guarded: bool) -> int:
        self.values.append(value)
        self.guarded.append(guarded)
        self.printed.append(bool(column))
        self.known.append(known)
        self.costs.append(_cost(column, value))
        return len(self.values) - 1

    def add_known(self, value: int) -> int:
        """Add a number that is printed elsewhere on the same page."""
        return self._add(value, column="", known=True, guarded=False)

    def add_sum(self, whole: int, parts: Sequence[int]) -> None:
        """Add whole = sum of parts, where it holds."""
        if self.values[whole] == sum(self.values[p] for p in parts):
            self.sums.append(((whole, -1), *((p, 1) for p in parts)))

    def at(self, row: int, column: str) -> int | None:
        """Return the cell of a place in the table; None where nothing stands there."""
        return self.places.get((row, column))

    def at_all(self, row: int, columns: Sequence[str]) -> list[int]:
        """Return the cells of several places of a row, without the empty ones."""
        return [c for c in (self.at(row, column) for column in columns) if c is not None]


def _cost(column: str, value: int) -> int:
    if column in _COSTS:
        return _COSTS[column]
    if column in ("numerator", "events"):
        return _FIGURE
    return _DETAIL if value else _ZERO


def build_cells(result: Result, frame: pd.DataFrame, smallest: int) -> Cells:
    """Return the cells of a table and every sum that a reader can make of them.

    Parameters
    ----------
    result
        Any shape but a curve.
    frame
        Its typed frame.
    smallest
        A total below this (and not 0) is not taken as known, since no table shows it.
    """
    cells = Cells()
    for column in result.shape.of_kind("count"):
        for row, value in enumerate(frame[column].array):
            if not pd.isna(value):
                cells.places[row, column] = cells.add(int(value), column=column)
    _BY_SHAPE[result.shape.name](cells, result, frame, smallest)
    return cells


def _link_flow(cells: Cells, result: Result, frame: pd.DataFrame, smallest: int) -> None:
    steps = list(_rows_by(frame, ["step"]).values())
    parents = find_parents(frame.iloc[[rows[0] for rows in steps]])
    left: list[int | None] = []
    for rows, parent in zip(steps, parents, strict=True):
        for row in rows[1:]:
            for column in ("n_in", "n_out"):
                cells.places[row, column] = cells.places[rows[0], column]
        n_in, n_out = cells.at(rows[0], "n_in"), cells.at(rows[0], "n_out")
        reasons = [c for row in rows for c in cells.at_all(row, ["n_reason"])]
        left.append(n_out)
        if n_in is None or n_out is None:
            continue
        cells.add_sum(n_in, [n_out, *reasons])
        before = None if parent is None else left[parent]
        if before is not None:
            cells.add_sum(before, [n_in])


def _link_estimates(cells: Cells, result: Result, frame: pd.DataFrame, smallest: int) -> None:
    groups = list(result.groups)
    _share_same_n(cells, frame, groups)
    is_share = _is_share(frame)
    for row in range(len(frame)):
        n, below = cells.at(row, "n"), cells.at(row, "denominator")
        rest = cells.at_all(row, ["outside", "immature", "unknown"])
        if n is not None and below is not None:
            if not rest:
                rest = [cells.add_loose(cells.values[n] - cells.values[below])]
            cells.add_sum(n, [below, *rest])
            if not groups and cells.values[n] in (result.context.n_feet, result.context.n_children):
                cells.add_sum(cells.add_known(cells.values[n]), [n])
        if is_share[row]:
            _add_no(cells, row, "denominator", "numerator")
    _link_bounds(cells, frame, groups)
    for column in ("n", "denominator", "numerator"):
        _add_margins(cells, frame, (column, ["measure"], groups), smallest)


def _link_bounds(cells: Cells, frame: pd.DataFrame, groups: list[str]) -> None:
    """Add that the lowest and the highest of a measure differ by those lost."""
    lines = frame["measure"].str.extract(r"^(?P<code>.+)\.(?P<line>seen|lowest|highest)$")
    keyed = frame[groups].assign(code=lines["code"]).loc[lines["code"].notna()]
    for positions in _rows_by(keyed, [*groups, "code"]).values():
        rows = {lines["line"].iloc[r]: r for r in keyed.index[positions]}
        for column, few, many in (
            ("denominator", "seen", "lowest"), ("numerator", "lowest", "highest"),
            ("numerator", "seen", "highest"), ("denominator", "lowest", "highest"),
        ):  # fmt: skip
            less, more = (cells.at(rows.get(line, -1), column) for line in (few, many))
            if less is not None and more is not None:
                lost = cells.add(cells.values[more] - cells.values[less])
                cells.add_sum(more, [less, lost])


def _is_share(frame: pd.DataFrame) -> np.ndarray:
    """Return rows of measures whose numerator is everywhere a part of the denominator."""
    above, below = frame["numerator"], frame["denominator"]
    exceeds = (above > below).fillna(True)
    return ~exceeds.groupby(frame["measure"]).transform("any").to_numpy(dtype=bool)


def _share_same_n(cells: Cells, frame: pd.DataFrame, groups: list[str]) -> None:
    """Make one cell of the same count of units printed for several measures of a group."""
    seen: dict[object, int] = {}
    keys = frame[[*groups, "n"]].itertuples(index=False, name=None)
    for row, key in enumerate(keys):
        cell = cells.at(row, "n")
        if cell is not None:
            cells.places[row, "n"] = seen.setdefault(key, cell)


def _add_no(cells: Cells, row: int, whole: str, part: str) -> None:
    below, above = cells.at(row, whole), cells.at(row, part)
    if below is not None and above is not None:
        no = cells.add(cells.values[below] - cells.values[above])
        cells.add_sum(below, [above, no])


def _link_effects(cells: Cells, result: Result, frame: pd.DataFrame, smallest: int) -> None:
    sizes = {"n": result.context.n_feet, "events": result.context.n_events}
    if not (frame["events"] > frame["n"]).fillna(True).any():
        for row in range(len(frame)):
            _add_no(cells, row, "n", "events")
    has_levels = frame["reference"].fillna("").ne("").to_numpy()
    for rows in _rows_by(frame, [*result.groups, "term"]).values():
        if not has_levels[list(rows)].all():
            continue
        for column, size in sizes.items():
            levels = [c for row in rows for c in cells.at_all(row, [column])]
            shown = sum(cells.values[c] for c in levels)
            if levels and size is not None and size >= shown:
                # The reference level has no row of its own: the total gives it away.
                reference = cells.add(size - shown)
                cells.add_sum(cells.add_known(size), [*levels, reference])


def _link_profile(cells: Cells, result: Result, frame: pd.DataFrame, smallest: int) -> None:
    for rows in _rows_by(frame, ["variable", "statistic"]).values():
        for row in rows[1:]:
            if cells.at(row, "missing") is not None and cells.at(rows[0], "missing") is not None:
                cells.places[row, "missing"] = cells.places[rows[0], "missing"]
        levels = [c for row in rows for c in cells.at_all(row, ["n"])]
        parts = [*levels, *cells.at_all(rows[0], ["missing"])]
        cells.add_sum(cells.add_total(sum(cells.values[c] for c in parts), smallest), parts)


def _link_trend(cells: Cells, result: Result, frame: pd.DataFrame, smallest: int) -> None:
    own = "period" if "period" in frame else "unit"
    for row in range(len(frame)):
        _add_no(cells, row, "denominator", "numerator")
    for column in ("numerator", "denominator"):
        _add_margins(cells, frame, (column, [], [*result.groups, own]), smallest)


_BY_SHAPE: dict[str, Callable[[Cells, Result, pd.DataFrame, int], None]] = {
    FLOW.name: _link_flow,
    ESTIMATES.name: _link_estimates,
    EFFECTS.name: _link_effects,
    PROFILE.name: _link_profile,
    TREND.name: _link_trend,
    COMPARISON.name: _link_trend,
}


def _rows_by(frame: pd.DataFrame, columns: list[str]) -> dict[tuple[object, ...], list[int]]:
    """Return row positions by the values of columns, in order of appearance."""
    if not columns:
        return {(): list(range(len(frame)))} if len(frame) else {}
    found: dict[tuple[object, ...], list[int]] = {}
    values = frame[columns].astype(object).where(frame[columns].notna(), None)
    for position, key in enumerate(values.itertuples(index=False, name=None)):
        found.setdefault(key, []).append(position)
    return found


def _add_margins(
    cells: Cells, frame: pd.DataFrame, what: tuple[str, list[str], list[str]], smallest: int
) -> None:
    """Add, for every set of dimensions, that the rows over it make their total.

    Parameters
    ----------
    what
        The count; the columns within which rows add up; the dimensions over which they do.
    """
    column, block, dims = what
    at_row = np.arange(len(frame))
    is_total = np.column_stack(
        [np.zeros((len(frame), 0), dtype=bool)]
        + [frame[d].eq(TOTAL).fillna(False).to_numpy(dtype=bool) for d in dims]
    )
    for summed in (c for size in range(1, len(dims) + 1) for c in combinations(dims, size)):
        over = np.array([d in summed for d in dims])
        keys = [*block, *(d for d in dims if d not in summed)]
        parts, totals = ~is_total[:, over].any(axis=1), is_total[:, over].all(axis=1)
        total_of = _rows_by(frame.loc[totals], keys)
        for key, positions in _rows_by(frame.loc[parts], keys).items():
            rows = at_row[parts][positions]
            found = [c for row in rows for c in cells.at_all(int(row), [column])]
            if len(found) > 1:
                whole = sum(cells.values[c] for c in found)
                cells.add_sum(cells.add_total(whole, smallest), found)
            for position in total_of.get(key, []):
                printed = cells.at(int(at_row[totals][position]), column)
                if printed is not None:
                    cells.add_sum(printed, found)
