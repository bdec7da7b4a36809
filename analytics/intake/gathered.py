"""All submissions together, in one order of rows."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from analytics.definitions.columns import EXTRA_PREFIX, KEYS, TABLES
from analytics.intake.frames import nothing, stack_frames, take_places, with_columns
from analytics.intake.merge import Merged, merge_rows
from analytics.intake.submission import Submission
from analytics.intake.texts import repeat_text
from analytics.intake.translate import declared_column

#: Columns of children that intake alone uses, with their type; what rows say differently of them
#: is no conflict.
OWN_COLUMNS = {
    "link": "string",
    "birth_from_age": "datetime64[s]",
    "precision_from_age": "string",
}

#: More rows than any export has: its place times this, and its row, make the order of all rows.
ROWS_OF_A_SOURCE = 2**32

#: Columns that visits have even where no export has them; other ones come back at the end.
CARRIED = ("child", "side", "clinic", "visited_on", "purpose", "procedure")


@dataclass(frozen=True)
class Gathered:
    """Submissions together; ``seq`` (int64) numbers the input rows over all sources.

    Texts are coded (``intake.texts``), a category may be one that no row has; other columns are
    nullable, of the type that they are declared with, but whole numbers are "Float64".

    Parameters
    ----------
    rows
        Input rows, position is ``seq``: ``file, sheet, line`` ("Int64"), ``child, clinic, reason``,
        and ``order`` (int64), their place among the rows of all exports.
    visits
        Pieces with ``seq, piece, reason`` and the columns of visits.
    facts
        Table to what rows say, with ``seq``.
    troubles
        Values that could not be used (``facts.TROUBLE_COLUMNS`` but the row), with ``seq``.
    tried
        Corrections that were tried (``correct.TRIED_COLUMNS`` but the row), with ``seq``;
        ``number`` is int64.
    """

    rows: pd.DataFrame
    visits: pd.DataFrame
    facts: dict[str, pd.DataFrame]
    troubles: pd.DataFrame
    tried: pd.DataFrame


def gather(submissions: Sequence[Submission], *, first: int = 0, skipped: int = 0) -> Gathered:
    """Return submissions as one, in their order.

    Parameters
    ----------
    submissions
        What the exports say.
    first
        Place of the first of these exports among all.
    skipped
        Lines before the rows of the only one, where it is cut: at least as many as there are rows.
    """
    n_sources = sum(len(part.sources) for part in submissions)
    bases = (first + np.arange(n_sources, dtype=np.int64)) * ROWS_OF_A_SOURCE + skipped
    offsets = np.cumsum([0, *(len(part.rows) for part in submissions)])[:-1]
    each = [part.rows for part in submissions]
    rows = each[0] if len(each) == 1 else stack_frames(each)
    n_rows = [source.n_rows for part in submissions for source in part.sources]
    order = np.concatenate([base + np.arange(n) for base, n in zip(bases, n_rows, strict=True)])
    return Gathered(
        rows=with_columns(rows, order=order),
        visits=_stack([part.visits for part in submissions], offsets, "visits"),
        facts={
            table: _stack([part.facts[table] for part in submissions], offsets, table)
            for table in ("children", "feet", "departures")
        },
        troubles=_stack([part.troubles for part in submissions], offsets, ""),
        tried=_stack([part.tried for part in submissions], offsets, ""),
    )


def _stack(parts: list[pd.DataFrame], offsets: np.ndarray, table: str) -> pd.DataFrame:
    moved = [_move(part, offset) for part, offset in zip(parts, offsets, strict=True)]
    filled = [part for part in moved if len(part)] or moved[:1]
    stacked = filled[0] if len(filled) == 1 else stack_frames(filled)
    if not table:
        return stacked
    declared = [column.name for column in TABLES[table]]
    names = dict.fromkeys(name for part in parts for name in part.columns)
    extras = sorted(name for name in names if name.startswith(EXTRA_PREFIX))
    further = OWN_COLUMNS if table == "children" else {}
    held = {name: column.array for name, column in stacked.items()}
    for name in (*declared, *extras, *further):
        kind = further[name] if name in further else _kind(table, name)
        if name not in held:
            if table != "visits" or name in CARRIED:
                held[name] = _nothing(kind, len(stacked))
        elif kind != "string" and held[name].dtype != kind:
            held[name] = held[name].astype(kind)
    own = [name for name in held if name not in (*declared, *extras)]
    order = [*own, *(name for name in (*declared, *extras) if name in held)]
    return pd.DataFrame({name: held[name] for name in order}, copy=False)


def _move(part: pd.DataFrame, offset: int) -> pd.DataFrame:
    held = {name: part[name].array for name in part.columns if name != "row"}
    seq = part["row"].to_numpy(dtype=np.int64) + offset
    return pd.DataFrame(held | {"seq": seq}, copy=False)


def _nothing(kind: str, n: int) -> pd.api.extensions.ExtensionArray:
    return repeat_text(None, n) if kind == "string" else nothing(kind, n)


def _kind(table: str, name: str) -> str:
    column = declared_column(table, name)
    return "Float64" if column.kind == "integer" else column.dtype


def merge_facts(gathered: Gathered, table: str) -> Merged:
    """Return one record for each child or foot: the first known value of each column."""
    key = KEYS[table]
    facts = gathered.facts[table]
    values = [name for name in facts.columns if name not in (*key, "seq", "clinic")]
    said = np.zeros(len(facts), dtype=bool)
    for name in values:
        said |= ~facts[name].array.isna()
    if table == "children":
        # What the first row of a child tells of itself stands, also where it says nothing more.
        said |= ~facts["child"].duplicated().to_numpy()
    at = np.flatnonzero(said)
    at = at[np.argsort(facts["seq"].to_numpy()[at], kind="stable")]
    return merge_rows(take_places(facts, at), key, values)
