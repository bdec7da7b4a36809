"""What the books say in sums: rows and records by fate, faults by clinic and rule.

Sums of parts add up to those of all exports, so a report needs no row of them in memory.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from analytics.definitions.checks import CHECKS, NO_RECORD
from analytics.errors import BalanceError
from analytics.intake.accounts import ADDRESS
from analytics.intake.frames import stack_frames
from analytics.intake.ledger import FLAG_COLUMNS, spread_fates
from analytics.intake.merge import group_codes
from analytics.intake.records import Source
from analytics.intake.texts import factorize

#: Table of sums to the columns that name a line of it; the others add up.
SUMS: dict[str, tuple[str, ...]] = {
    "rows": ("file", "sheet", "fate", "reason"),
    "records": ("clinic", "fate", "is_record"),
    "faults": ("clinic", "rule", "severity", "found"),
}


@dataclass(frozen=True)
class Totals:
    """What became of all rows of the exports, in sums.

    Parameters
    ----------
    sources
        The exports.
    rows
        ``file, sheet, fate, reason, n``: input rows.
    records
        ``clinic, fate, is_record, n``: records in them; a clinic that nobody can tell is missing,
        and lines that are no record (a sum, a heading) are told apart.
    faults
        ``clinic, rule, severity, found, n, file, sheet, line``: faults that nobody confirmed as
        right, with the address of the first; ``found`` is what was found in a clinic as a whole,
        empty for faults of records.
    n_children
        Children with a record, seen or not.
    corrections
        Corrections with what became of each.
    doubles
        Flags of children who may be one child under two numbers, with ``last_on``.
    """

    sources: tuple[Source, ...]
    rows: pd.DataFrame
    records: pd.DataFrame
    faults: pd.DataFrame
    n_children: int
    corrections: pd.DataFrame
    doubles: pd.DataFrame

    def balance(self) -> pd.DataFrame:
        """Return rows read and their fates by file and sheet, proven to be all that was read.

        Returns
        -------
        DataFrame
            ``file, sheet, n_read, n_kept, n_merged, n_quarantined``.

        Raises
        ------
        BalanceError
            When a file has more or fewer fates than rows.
        """
        table = spread_fates(self.rows)
        met = table.groupby("file")["n_read"].sum()
        read = pd.Series(0, index=met.index).add(_rows_of(self.sources), fill_value=0)
        wrong = read[read != met.reindex(read.index, fill_value=0)]
        if len(wrong):
            raise BalanceError(
                f"{len(wrong)} files have another number of fates than of rows",
                where=", ".join(map(str, wrong.index)),
                allowed="rows read = kept + merged + quarantined",
                todo="this is a fault of the program: keep the exports and report it",
            )
        return table


def _rows_of(sources: Sequence[Source]) -> pd.Series:
    read = pd.DataFrame(
        {"file": [source.file for source in sources], "n": [source.n_rows for source in sources]}
    )
    return read.groupby("file")["n"].sum()


def no_totals() -> Totals:
    """Return the totals of nothing."""
    texts = ("file", "sheet", "fate", "reason", "clinic", "table", "child", "side", "rule",
             "severity", "found", "outcome", "last_on")  # fmt: skip
    kinds = dict.fromkeys(texts, "string") | {
        "n": "int64", "is_record": "boolean", "line": "Int64", "on": "datetime64[s]",
    }  # fmt: skip

    def empty(*names: str) -> pd.DataFrame:
        return pd.DataFrame({name: pd.array([], dtype=kinds[name]) for name in names})

    return Totals(
        sources=(),
        rows=empty(*SUMS["rows"], "n"),
        records=empty(*SUMS["records"], "n"),
        faults=empty(*SUMS["faults"], "n", *ADDRESS),
        n_children=0,
        corrections=empty("outcome"),
        doubles=empty(*FLAG_COLUMNS, "last_on"),
    )


def sum_books(books: dict[str, pd.DataFrame], visits: pd.DataFrame) -> dict[str, pd.DataFrame]:
    """Return the tables of ``SUMS`` of one part's books.

    Parameters
    ----------
    books
        ``rows``, ``pieces`` and ``flags`` of whole children.
    visits
        Their kept visits, with the address of each.
    """
    fates = books["rows"][["file", "sheet", "fate", "reason"]]
    return {
        "rows": _count(fates.assign(reason=fates["reason"].fillna("")), "rows"),
        "records": _sum_records(books["pieces"], visits, books["flags"]),
        "faults": sum_faults(books["flags"]),
    }


def sum_faults(flags: pd.DataFrame) -> pd.DataFrame:
    """Return how often each rule was broken, by clinic; see ``Totals.faults``."""
    whole = [code for code, check in CHECKS.items() if check.scope == "clinic"]
    faults = pd.DataFrame(
        {
            "clinic": flags["clinic"].fillna(""),
            "rule": flags["rule"],
            "severity": flags["severity"],
            "found": flags["found"].where(flags["rule"].isin(whole), "").fillna(""),
            "n": np.ones(len(flags), dtype=np.int64),
            **{name: flags[name] for name in ADDRESS},
        }
    )
    return add_faults([faults.astype(dict.fromkeys(SUMS["faults"], "string"))])


def add_sums(parts: Sequence[dict[str, pd.DataFrame]]) -> dict[str, pd.DataFrame]:
    """Return the sums of all parts together."""
    rows, records = (stack_frames([part[name] for part in parts]) for name in ("rows", "records"))
    return {
        "rows": _add(rows, "rows"),
        "records": _add(records, "records"),
        "faults": add_faults([part["faults"] for part in parts]),
    }


def _count(frame: pd.DataFrame, name: str) -> pd.DataFrame:
    code = group_codes(frame, SUMS[name])
    first = frame.iloc[np.flatnonzero(~pd.Series(code).duplicated())]
    return _add(first.assign(n=np.bincount(code, minlength=len(first))), name)


def _add(frame: pd.DataFrame, name: str) -> pd.DataFrame:
    keys = list(SUMS[name])
    return frame.groupby(keys, sort=True, dropna=False)["n"].sum().reset_index()


def add_faults(parts: Sequence[pd.DataFrame]) -> pd.DataFrame:
    """Return the faults of parts together; the address of the first of a kind stands for all."""
    keys = list(SUMS["faults"])
    ordered = stack_frames(parts).sort_values([*keys, *ADDRESS], kind="stable", ignore_index=True)
    first = ordered.drop_duplicates(keys, ignore_index=True)
    n = ordered.groupby(keys, sort=True, dropna=False)["n"].sum().to_numpy()
    return first.assign(n=n)


def _sum_records(pieces: pd.DataFrame, visits: pd.DataFrame, flags: pd.DataFrame) -> pd.DataFrame:
    """Count records by clinic: that of the visit at their address, else of a fault found there."""
    place = pd.factorize(np.concatenate(_places([pieces, visits, flags])))[0]
    wanted, told = np.split(place, [len(pieces)])
    code, clinics = factorize(pd.concat([visits["clinic"], flags["clinic"]], ignore_index=True))
    of_place = np.full(int(place.max(initial=-1)) + 1, -1)
    known = np.flatnonzero(code >= 0)[::-1]
    of_place[told[known]] = code[known]  # the earliest is written last
    reason, reasons = factorize(pieces["reason"])
    is_record = np.array([*(told not in NO_RECORD for told in reasons), True], dtype=bool)
    counted = pd.DataFrame(
        {
            "clinic": pd.array([*clinics, pd.NA], dtype="string").take(of_place[wanted]),
            "fate": pieces["fate"].astype("string").array,
            "is_record": pd.array(is_record[reason], dtype="boolean"),
        }
    )
    return _count(counted, "records")


def _places(tables: Sequence[pd.DataFrame]) -> list[np.ndarray]:
    """Return a number for the address of each line of some tables: equal where addresses are."""
    address = pd.concat([table[list(ADDRESS)] for table in tables], ignore_index=True)
    file, sheet = (_number_texts(address[name]) for name in ADDRESS[:2])
    line = address["line"].to_numpy(dtype=np.int64, na_value=-1)
    pair = pd.factorize(file * (int(sheet.max(initial=0)) + 2) + sheet)[0]
    place = pair * (int(line.max(initial=0)) + 2) + line
    return np.split(place, np.cumsum([len(table) for table in tables])[:-1])


def _number_texts(column: pd.Series) -> np.ndarray:
    """Return a number for each distinct text; a missing one is as an empty one, -1."""
    codes, distinct = factorize(column)
    is_text = np.array([*(text != "" for text in distinct), False], dtype=bool)
    return np.where(is_text[codes], codes, -1)
