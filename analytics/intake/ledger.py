"""The ledger: the fate of every input row and the amendment of every value."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
import pandas as pd

from analytics.errors import BalanceError
from analytics.intake.texts import coded_column, factorize, stack_texts

#: Where a line of an export is.
ADDRESS = ("file", "sheet", "line")

FATES = ("kept", "merged", "quarantined")

#: One line per input row. ``merged_into`` is "file|sheet|line" of the row that stands for it.
ROW_COLUMNS = ("file", "sheet", "line", "table", "fate", "reason", "merged_into")

#: One line per record that a row was taken apart into (a wide row makes many).
PIECE_COLUMNS = (*ROW_COLUMNS[:3], "piece", *ROW_COLUMNS[3:])

#: One line per value that was changed by a rule.
AMENDMENT_COLUMNS = ("file", "sheet", "line", "table", "column", "before", "after", "rule")

#: One line per fault found, hard or soft; ``found`` says what stood there.
FLAG_COLUMNS = (
    "file", "sheet", "line", "table", "clinic", "child", "side", "on", "rule", "severity", "found",
)  # fmt: skip

#: One line per correction that came back from a clinic, as it was written.
CORRECTION_COLUMNS = (
    "file", "sheet", "line", "action", "column", "before", "after", "rule", "child", "side", "on",
    "who", "when",
)  # fmt: skip


def no_corrections() -> pd.DataFrame:
    """Return a table of corrections without a row."""
    return pd.DataFrame({name: pd.array([], dtype="string") for name in CORRECTION_COLUMNS})


@dataclass(frozen=True)
class Ledger:
    """Fates of rows and of the records in them, amendments, and faults found.

    ``corrections`` has the columns of ``CORRECTION_COLUMNS`` and ``outcome``: what became of each.
    """

    rows: pd.DataFrame
    pieces: pd.DataFrame
    amendments: pd.DataFrame
    flags: pd.DataFrame
    corrections: pd.DataFrame = field(
        default_factory=lambda: no_corrections().assign(outcome=pd.array([], dtype="string"))
    )

    def balance(self) -> pd.DataFrame:
        """Return rows read and their fates by file and sheet, proven to add up.

        Returns
        -------
        DataFrame
            ``file, sheet, n_read, n_kept, n_merged, n_quarantined``.

        Raises
        ------
        BalanceError
            When a row has no fate or more than one.
        """
        prove_fates(self.rows)
        return spread_fates(self.rows.assign(n=1))


def prove_fates(rows: pd.DataFrame) -> None:
    """Raise ``BalanceError`` when a row has no fate or more than one."""
    fates, distinct = factorize(rows["fate"])
    is_fate = np.array([*(fate in FATES for fate in distinct), False], dtype=bool)
    unknown = ~is_fate[fates]
    (address,) = number_addresses([rows])
    twice = np.zeros(0) if np.all(address[1:] > address[:-1]) else pd.Series(address).duplicated()
    if unknown.any() or twice.any():
        raise BalanceError(
            f"{int(unknown.sum())} rows have no fate and {int(twice.sum())} have two",
            allowed="rows read = kept + merged + quarantined",
            todo="this is a fault of the program: keep the exports and report it",
        )


def number_addresses(tables: Sequence[pd.DataFrame]) -> list[np.ndarray]:
    """Return a number for the address of each line of some tables: equal where addresses are.

    Parameters
    ----------
    tables
        Each with the columns of ``ADDRESS``; a missing sheet is as an empty one.
    """
    file, sheet = (
        _number_texts(stack_texts([coded_column(table[name]) for table in tables]))
        for name in ADDRESS[:2]
    )
    line = np.concatenate([table["line"].to_numpy(np.int64, na_value=-1) for table in tables])
    pair = (file + 1) * (int(sheet.max(initial=0)) + 2) + sheet + 1
    place = pair * (int(line.max(initial=0)) + 2) + line + 1
    return np.split(place, np.cumsum([len(table) for table in tables])[:-1])


def _number_texts(texts: pd.Categorical) -> np.ndarray:
    """Return a number for each distinct text; a missing one is as an empty one, -1."""
    number = np.arange(len(texts.categories) + 1)
    number[[*(text == "" for text in texts.categories), True]] = -1
    return number[texts.codes]


def spread_fates(rows: pd.DataFrame) -> pd.DataFrame:
    """Return rows by fate (``file, sheet, fate, n``) with the fates beside each other."""
    counts = (
        rows.groupby(["file", "sheet", "fate"], observed=False, dropna=False)["n"]
        .sum()
        .unstack("fate", fill_value=0)
        .reindex(columns=list(FATES), fill_value=0)
    )
    table = counts.add_prefix("n_")
    table.insert(0, "n_read", counts.sum(axis=1))
    return table.reset_index().rename_axis(columns=None)
