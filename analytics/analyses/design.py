"""From columns of feet to a design matrix; every foot left out is counted by reason."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from analytics.definitions.plain_columns import read_column
from analytics.results import EFFECTS
from analytics.stats.blocks import add_by_key


@dataclass(frozen=True)
class Covariate:
    """One column of the foot as it enters a model.

    Parameters
    ----------
    column
        Column of the foot.
    reference
        Level of a coded column that the others are compared with; the commonest when empty.
    per
        A number enters per so many units.
    is_shown
        Whether its effects are reported, or it is only adjusted for.
    """

    column: str
    reference: str = ""
    per: float = 1.0
    is_shown: bool = True


@dataclass(frozen=True)
class Design:
    """A complete-case design.

    Parameters
    ----------
    rows
        (n rows) the feet that have every value.
    matrix
        (n, p) without a constant.
    terms
        (p rows) ``term, level, reference, is_shown, n`` for each column of the matrix; ``n`` is
        the feet at that level, or all feet for a number.
    exclusions
        Reason and feet taken out by it.
    constants
        Columns that do not vary among the feet left and so were not entered.
    """

    rows: pd.DataFrame
    matrix: np.ndarray
    terms: pd.DataFrame
    exclusions: tuple[tuple[str, int], ...]
    constants: tuple[str, ...]

    @property
    def named(self) -> pd.DataFrame:
        """Return the matrix with ``term`` or ``term:level`` over its columns."""
        level = self.terms["level"].where(self.terms["level"].eq(""), ":" + self.terms["level"])
        return pd.DataFrame(self.matrix, columns=(self.terms["term"] + level).tolist())


@dataclass(frozen=True)
class Seen:
    """How often each value of a covariate was seen; what parts saw adds up.

    Parameters
    ----------
    values
        (k,) distinct values, sorted: numbers as they enter, or texts.
    n
        (k,) feet with each.
    is_number
        Whether the column is one of numbers.
    """

    values: np.ndarray
    n: np.ndarray
    is_number: bool


#: One column of a matrix: term, level, reference, whether it is shown, feet.
Line = tuple[str, str, str, bool, int]


def build_design(rows: pd.DataFrame, covariates: Sequence[Covariate]) -> Design:
    """Return the design of these feet; a foot with any value missing is left out and counted."""
    rows, exclusions = find_complete(rows, covariates)
    every = [choose_columns(see_values(rows, one), one) for one in covariates]
    return Design(
        rows,
        fill_matrix(rows, covariates, every),
        name_terms(every),
        exclusions,
        tuple(c.column for c, lines in zip(covariates, every, strict=True) if not lines),
    )


def find_complete(
    rows: pd.DataFrame, covariates: Sequence[Covariate]
) -> tuple[pd.DataFrame, tuple[tuple[str, int], ...]]:
    """Return the feet that have every value, and reasons with the feet taken out by each."""
    exclusions = []
    complete = np.ones(len(rows), dtype=bool)
    for covariate in covariates:
        missing = complete & rows[covariate.column].isna().to_numpy()
        exclusions.append((f"missing_{covariate.column}", int(missing.sum())))
        complete &= ~missing
    left = rows if complete.all() else rows.loc[complete]
    return left, tuple(e for e in exclusions if e[1])


def see_values(rows: pd.DataFrame, covariate: Covariate) -> Seen:
    """Return how often each value of a covariate is seen among complete rows."""
    values = rows[covariate.column]
    if _is_number(values):
        return Seen(*np.unique(_numbers(rows, covariate), return_counts=True), is_number=True)
    words, place = _texts(values)
    return Seen(words, np.bincount(place, minlength=len(words)), False)


def add_seen(parts: Sequence[Seen]) -> Seen:
    """Return what parts saw together."""
    values, n = add_by_key([part.values for part in parts], [part.n for part in parts])
    return Seen(values, n, parts[0].is_number)


def choose_columns(seen: Seen, covariate: Covariate) -> list[Line]:
    """Return the columns of a covariate; none where it does not vary."""
    name, shown = covariate.column, covariate.is_shown
    if len(seen.values) < 2:
        return []
    if seen.is_number:
        return [(name, "", "", shown, int(seen.n.sum()))]
    counts = dict(zip(seen.values, seen.n, strict=True))
    commonest = str(seen.values[np.argmax(seen.n)])
    reference = covariate.reference if covariate.reference in counts else commonest
    levels = [level for level in seen.values if level != reference]
    return [(name, str(level), reference, shown, int(counts[level])) for level in levels]


def name_terms(every: Sequence[Sequence[Line]]) -> pd.DataFrame:
    """Return the terms of a design, one row for each column of its matrix."""
    return pd.DataFrame(
        [line for lines in every for line in lines],
        columns=["term", "level", "reference", "is_shown", "n"],
    )


def fill_matrix(
    rows: pd.DataFrame, covariates: Sequence[Covariate], every: Sequence[Sequence[Line]]
) -> np.ndarray:
    """Return the matrix of complete rows with the columns chosen for each covariate."""
    columns = [values for values, _ in _fill_columns(rows, covariates, every)]
    return np.column_stack(columns) if columns else np.empty((len(rows), 0))


def fill_present(
    rows: pd.DataFrame, covariates: Sequence[Covariate], every: Sequence[Sequence[Line]]
) -> tuple[np.ndarray, np.ndarray]:
    """Return the matrix without columns of levels that none of the rows has, and which are left.

    A number stays, even if it is 0 in all rows, and so does the first column, which a curve may
    stand for.
    """
    levels = [level for lines in every for _, level, *_ in lines]
    left = [
        (values, at)
        for values, at in _fill_columns(rows, covariates, every)
        if at == 0 or not levels[at] or values.any()
    ]
    if not left:
        return np.empty((len(rows), 0)), np.empty(0, dtype=np.int64)
    return np.column_stack([values for values, _ in left]), np.array([at for _, at in left])


def effects_frame(
    design: Design, events: np.ndarray, ratios: pd.DataFrame, *, skip: int = 0
) -> pd.DataFrame:
    """Return the frame of Effects from a fitted design.

    Parameters
    ----------
    design
        What was fitted.
    events
        (n,) count or 0/1 outcome of each foot, summed per level.
    ratios
        (skip + p rows) ``estimate, lower, upper, p``.
    skip
        Leading rows of the ratios that belong to no term (a constant).
    """
    summed = sum_events(design.matrix, design.terms, events)
    return lay_out(design.terms, summed, ratios.iloc[skip:])


def sum_events(matrix: np.ndarray, terms: pd.DataFrame, events: np.ndarray) -> np.ndarray:
    """Return the events of the feet at each level, or of all feet for a number; (p,)."""
    summed = [
        events[matrix[:, j] != 0].sum() if level else events.sum()
        for j, level in enumerate(terms["level"])
    ]
    return np.array(summed, dtype=float)


def lay_out(terms: pd.DataFrame, events: np.ndarray, ratios: pd.DataFrame) -> pd.DataFrame:
    """Return the frame of Effects: terms that are shown, with (p,) events and (p rows) ratios."""
    frame = terms.assign(events=np.round(events).astype(np.int64))
    figures = ratios.reset_index(drop=True)
    frame = pd.concat([frame.reset_index(drop=True), figures], axis=1)
    types = {"count": "Int64", "figure": "Float64", "code": "string"}
    wanted = {name: types[kind] for name, kind in EFFECTS.columns.items()}
    return frame.loc[frame["is_shown"], list(wanted)].reset_index(drop=True).astype(wanted)


def _is_number(values: pd.Series) -> bool:
    return pd.api.types.is_numeric_dtype(values) and not pd.api.types.is_bool_dtype(values)


def _numbers(rows: pd.DataFrame, covariate: Covariate) -> np.ndarray:
    return rows[covariate.column].to_numpy(dtype=float) / covariate.per


def _texts(values: pd.Series) -> tuple[np.ndarray, np.ndarray]:
    """Return the texts among complete values, sorted, and the place of each row's among them."""
    held = read_column(values if values.dtype == "category" else values.astype("string"))
    words = np.empty(0, dtype=object) if held.words is None else held.words
    seen = np.flatnonzero(np.bincount(held.held, minlength=len(words)))
    order = seen[np.argsort(words[seen])]
    place = np.empty(len(words), dtype=np.int64)
    place[order] = np.arange(len(order))
    return words[order], place[held.held]


def _fill_columns(
    rows: pd.DataFrame, covariates: Sequence[Covariate], every: Sequence[Sequence[Line]]
) -> Iterator[tuple[np.ndarray, int]]:
    """Yield columns and their places in the matrix, one at a time."""
    at = 0
    for covariate, lines in zip(covariates, every, strict=True):
        if _is_number(rows[covariate.column]):
            yield from ((_numbers(rows, covariate), at) for _ in lines)
        else:
            levels = [line[1] for line in lines]
            words, place = _texts(rows[covariate.column])
            codes = pd.Index(levels).get_indexer(words)[place]
            yield from (((codes == k).astype(float), at + k) for k in range(len(lines)))
        at += len(lines)
