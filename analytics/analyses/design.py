"""From columns of feet to a design matrix; every foot left out is counted by reason."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from analytics.results import EFFECTS


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


def build_design(rows: pd.DataFrame, covariates: Sequence[Covariate]) -> Design:
    """Return the design of these feet; a foot with any value missing is left out and counted."""
    exclusions = []
    for covariate in covariates:
        missing = rows[covariate.column].isna()
        exclusions.append((f"missing_{covariate.column}", int(missing.sum())))
        rows = rows.loc[~missing]
    parts = [_columns(rows, covariate) for covariate in covariates]
    terms = pd.DataFrame(
        [line for lines, _ in parts for line in lines],
        columns=["term", "level", "reference", "is_shown", "n"],
    )
    columns = [values for _, values in parts if values.shape[1]]
    matrix = np.hstack(columns) if columns else np.empty((len(rows), 0))
    constants = tuple(
        c.column for c, (lines, _) in zip(covariates, parts, strict=True) if not lines
    )
    return Design(rows, matrix, terms, tuple(e for e in exclusions if e[1]), constants)


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
    per_column = [
        int(round(float(events[design.matrix[:, j] != 0].sum())))
        if level
        else int(round(float(events.sum())))
        for j, level in enumerate(design.terms["level"])
    ]
    frame = design.terms.assign(events=per_column)
    figures = ratios.iloc[skip:].reset_index(drop=True)
    frame = pd.concat([frame.reset_index(drop=True), figures], axis=1)
    types = {"count": "Int64", "figure": "Float64", "code": "string"}
    wanted = {name: types[kind] for name, kind in EFFECTS.columns.items()}
    return frame.loc[frame["is_shown"], list(wanted)].reset_index(drop=True).astype(wanted)


def _columns(
    rows: pd.DataFrame, covariate: Covariate
) -> tuple[list[tuple[str, str, str, bool, int]], np.ndarray]:
    values = rows[covariate.column]
    name, shown = covariate.column, covariate.is_shown
    if pd.api.types.is_numeric_dtype(values) and not pd.api.types.is_bool_dtype(values):
        numbers = values.to_numpy(dtype=float) / covariate.per
        if not len(numbers) or np.ptp(numbers) == 0:
            return [], np.empty((len(rows), 0))
        return [(name, "", "", shown, len(numbers))], numbers[:, None]
    texts = values.astype("string")
    counts = texts.value_counts().sort_index().sort_values(ascending=False, kind="stable")
    if len(counts) < 2:
        return [], np.empty((len(rows), 0))
    reference = covariate.reference if covariate.reference in counts else str(counts.index[0])
    levels = sorted(set(counts.index) - {reference})
    matrix = np.column_stack([texts.eq(level).to_numpy(dtype=float) for level in levels])
    lines = [(name, level, reference, shown, int(counts[level])) for level in levels]
    return lines, matrix
