"""The counts of a table as cells, and the sums by which a reader could work one out."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from itertools import combinations

import numpy as np
import pandas as pd

from analytics.results import COMPARISON, EFFECTS, ESTIMATES, FLOW, PROFILE, TREND, Result
from analytics.sharing.clinics import TOTAL
from analytics.sharing.flows import find_parents
from analytics.sharing.table import Cells

#: Why units were not counted.
_NOT_COUNTED = ("outside", "immature", "unknown")


def build_cells(
    result: Result, frame: pd.DataFrame, smallest: int, *, silent: Sequence[str] = ()
) -> Cells:
    """Return the cells of a table and every sum that a reader can make of them.

    Parameters
    ----------
    result
        Any shape but a curve.
    frame
        Its typed frame.
    smallest
        A total below this (and not 0) is not taken as known, since no table shows it.
    silent
        Columns that are never shown, whose sums over the groups another table shows.
    """
    cells = Cells()
    for column in result.shape.of_kind("count"):
        for row, value in enumerate(frame[column].array):
            if not pd.isna(value):
                shown = "" if column in silent else column
                cells.places[row, column] = cells.add(int(value), column=shown)
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
        _add_rest(cells, row)
        n = cells.at(row, "n")
        sizes = (result.context.n_feet, result.context.n_children)
        if n is not None and not groups and cells.values[n] in sizes:
            cells.add_sum(cells.add_known(cells.values[n]), [n])
        if is_share[row]:
            _add_no(cells, row, "denominator", "numerator")
    _link_bounds(cells, frame, groups, smallest)
    for column in ("n", "denominator", "numerator", *_NOT_COUNTED):
        _add_margins(cells, frame, (column, ["measure"], groups), smallest)
    if groups:
        for (_, column), cell in cells.places.items():
            cells.late[cell] = column in ("n", *_NOT_COUNTED)
        _know_totals(cells, frame, groups, smallest)


def _add_rest(cells: Cells, row: int) -> None:
    """Add that all of a row are those counted and those not, of every kind."""
    n, below = cells.at(row, "n"), cells.at(row, "denominator")
    rest = cells.at_all(row, _NOT_COUNTED)
    if n is None or below is None:
        return
    if not rest:
        rest = [cells.add_loose(cells.values[n] - cells.values[below])]
    cells.add_sum(n, [below, *rest])


def _know_totals(cells: Cells, frame: pd.DataFrame, groups: list[str], smallest: int) -> None:
    """Add that rows over all groups together stand in the table without groups as well."""
    is_total = frame[groups].eq(TOTAL).fillna(False).all(axis=1).to_numpy(dtype=bool)
    for row in np.flatnonzero(is_total):
        for column in ("denominator", "numerator"):
            cell = cells.at(int(row), column)
            if cell is not None:
                cells.add_sum(cells.add_total(cells.values[cell], smallest), [cell])


def _link_bounds(cells: Cells, frame: pd.DataFrame, groups: list[str], smallest: int) -> None:
    """Add that the lowest and the highest of a measure differ by those lost.

    What is counted as yes, and of how many, another table says as well.
    """
    lines = frame["measure"].str.extract(r"^(?P<code>.+)\.(?P<line>seen|lowest|highest)$")
    keyed = frame[groups].assign(code=lines["code"]).loc[lines["code"].notna()]
    for positions in _rows_by(keyed, [*groups, "code"]).values():
        rows = {lines["line"].iloc[r]: r for r in keyed.index[positions]}
        at = {
            (line, column): cells.at(row, column)
            for line, row in rows.items()
            for column in ("denominator", "numerator", "unknown")
        }
        lost = at.get(("seen", "unknown"))
        for whole, part, others in (
            (("lowest", "denominator"), ("seen", "denominator"), [lost]),
            (("highest", "numerator"), ("lowest", "numerator"), [lost]),
            (("lowest", "numerator"), ("seen", "numerator"), []),
            (("highest", "denominator"), ("lowest", "denominator"), []),
        ):
            terms = [at.get(part), *others]
            more = at.get(whole)
            if more is not None and None not in terms:
                cells.add_sum(more, [cell for cell in terms if cell is not None])
        for column in ("denominator", "numerator"):
            cell = cells.at(rows.get("lowest", -1), column)
            if cell is not None:
                cells.add_sum(cells.add_total(cells.values[cell], smallest), [cell])


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
