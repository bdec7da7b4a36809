"""What the books say in sums: rows and records by fate, faults by clinic and rule.

Sums of parts add up to those of all exports, so a report needs no row of them in memory.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from analytics.definitions.checks import CHECKS, NO_RECORD
from analytics.errors import BalanceError
from analytics.intake.frames import stack_frames
from analytics.intake.ledger import ADDRESS, FLAG_COLUMNS, number_addresses, spread_fates
from analytics.intake.records import Source
from analytics.intake.runs import begins
from analytics.intake.texts import (
    coded_column,
    factorize,
    fill_texts,
    from_codes,
    plain_frame,
    put_text,
    sort_texts,
    stack_texts,
    used_codes,
)

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
    rows = books["rows"]
    fates = {name: factorize(rows[name]) for name in ("file", "sheet", "fate")}
    fates["reason"] = used_codes(fill_texts(coded_column(rows["reason"]), ""))
    return {
        "rows": _count(fates),
        "records": _sum_records(books["pieces"], visits, books["flags"]),
        "faults": sum_faults(books["flags"]),
    }


def sum_faults(flags: pd.DataFrame) -> pd.DataFrame:
    """Return how often each rule was broken, by clinic; see ``Totals.faults``."""
    whole = [code for code, check in CHECKS.items() if check.scope == "clinic"]
    rule, found = coded_column(flags["rule"]), coded_column(flags["found"])
    of_records = ~np.array([*(code in whole for code in rule.categories), False])[rule.codes]
    texts = {
        "clinic": fill_texts(coded_column(flags["clinic"]), ""),
        "rule": rule,
        "severity": coded_column(flags["severity"]),
        "found": put_text(found, of_records | (found.codes < 0), ""),
    }
    line, lines = _number_lines({name: used_codes(held) for name, held in texts.items()})
    address = [factorize(flags[name], sort=True)[0] for name in reversed(ADDRESS)]
    last = [np.where(code < 0, code.max(initial=0) + 1, code) for code in address]
    order = np.lexsort([*last, line])
    first = order[begins(line[order])]
    held = {name: flags[name].array.take(first) for name in ADDRESS}
    n = np.bincount(line, minlength=len(lines))
    return plain_frame(pd.DataFrame({**lines, "n": n, **held}, copy=False))


def add_sums(parts: Sequence[dict[str, pd.DataFrame]]) -> dict[str, pd.DataFrame]:
    """Return the sums of all parts together."""
    rows, records = (stack_frames([part[name] for part in parts]) for name in ("rows", "records"))
    return {
        "rows": _add(rows, "rows"),
        "records": _add(records, "records"),
        "faults": add_faults([part["faults"] for part in parts]),
    }


#: Places in distinct values, -1 for a missing one, and these.
_Numbered = tuple[np.ndarray, "np.ndarray | pd.Index"]


def _count(columns: Mapping[str, _Numbered]) -> pd.DataFrame:
    """Return the distinct lines of some columns, sorted, with how many of each there are."""
    line, lines = _number_lines(columns)
    return plain_frame(pd.DataFrame({**lines, "n": np.bincount(line, minlength=len(lines))}))


def _number_lines(columns: Mapping[str, _Numbered]) -> tuple[np.ndarray, pd.DataFrame]:
    """Return the place of each row in the distinct lines, and these, sorted, missing values last.

    Values are texts or truth values.
    """
    code = np.zeros(len(next(iter(columns.values()))[0]), dtype=np.int64)
    widths, values = [], []
    for codes, distinct in columns.values():
        rank, ordered = sort_texts(np.asarray(distinct, dtype=object))
        code = code * (len(ordered) + 1) + np.append(rank, len(ordered))[codes]
        widths.append(len(ordered) + 1)
        values.append(ordered)
    line, found = _number_dense(code, int(np.prod(widths)))
    held = {}
    for name, width, texts in reversed([*zip(columns, widths, values, strict=True)]):
        found, place = np.divmod(found, width)
        held[name] = from_codes(np.where(place < len(texts), place, -1), texts)
    return line, pd.DataFrame({name: held[name] for name in columns}, copy=False)


def _number_dense(code: np.ndarray, room: int) -> tuple[np.ndarray, np.ndarray]:
    """Return numbers below ``room`` as places in the sorted distinct ones, and these."""
    if room > 4 * len(code) + _FEW:
        found, line = np.unique(code, return_inverse=True)
        return line, found
    is_found = np.zeros(room, dtype=bool)
    is_found[code] = True
    return (np.cumsum(is_found) - 1)[code], np.flatnonzero(is_found)


#: Numbers that are always counted in a table of all of them.
_FEW = 100_000


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
    wanted, *told = number_addresses([pieces, visits, flags])
    both = [coded_column(table["clinic"]) for table in (visits, flags)]
    clinic = stack_texts(both)
    of_place = _find_first(wanted, np.concatenate(told), clinic.codes)
    reason, reasons = factorize(pieces["reason"])
    is_record = np.array([*(told not in NO_RECORD for told in reasons), True], dtype=bool)
    counted = {
        "clinic": (of_place, clinic.categories),
        "fate": factorize(pieces["fate"]),
        "is_record": (is_record[reason].astype(np.int64), np.array(["", "is"], dtype=object)),
    }
    counts = _count(counted)
    return counts.assign(is_record=(counts["is_record"] == "is").astype("boolean"))


def _find_first(wanted: np.ndarray, told: np.ndarray, codes: np.ndarray) -> np.ndarray:
    """Return for each wanted number the first code that is told of it; -1 where none is."""
    both, _ = _number_dense(
        np.concatenate([wanted, told]), int(max(wanted.max(initial=0), told.max(initial=0))) + 1
    )
    own, of_told = both[: len(wanted)], both[len(wanted) :]
    first = np.full(int(both.max(initial=-1)) + 1, -1)
    known = np.flatnonzero(codes >= 0)[::-1]
    first[of_told[known]] = codes[known]  # the earliest is written last
    return first[own]
