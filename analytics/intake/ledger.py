"""The ledger: the fate of every input row and the amendment of every value."""

from __future__ import annotations

from dataclasses import dataclass, field

import pandas as pd

from analytics.errors import BalanceError
from analytics.intake.merge import group_codes

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
    unknown = ~rows["fate"].isin(FATES)
    twice = pd.Series(group_codes(rows, ("file", "sheet", "line"))).duplicated()
    if unknown.any() or twice.any():
        raise BalanceError(
            f"{int(unknown.sum())} rows have no fate and {int(twice.sum())} have two",
            allowed="rows read = kept + merged + quarantined",
            todo="this is a fault of the program: keep the exports and report it",
        )


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
