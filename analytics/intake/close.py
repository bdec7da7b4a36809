"""Settled parts together: what takes all children to tell, and the books that must balance."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

import numpy as np
import pandas as pd

from analytics.definitions.checks import ClinicWindows
from analytics.definitions.columns import KEYS
from analytics.errors import BalanceError, RecordsError
from analytics.intake.accounts import sort_book
from analytics.intake.canonical import shape_table
from analytics.intake.check_clinics import COUNTS, add_counts, ask_clinics
from analytics.intake.correct import build_book, confirm_faults
from analytics.intake.doubles import DOUBLE, tell_doubles
from analytics.intake.frames import stack_frames
from analytics.intake.kept import Kept, stack_parts
from analytics.intake.ledger import FLAG_COLUMNS, Ledger
from analytics.intake.records import Records, Source
from analytics.intake.settle import Settled
from analytics.intake.texts import plain_frame
from analytics.intake.totals import SUMS, Totals, add_faults, add_sums, sum_books, sum_faults

#: Books whose lines stand in the order of the rows of the exports.
_ORDERED = ("rows", "pieces")


def close(
    parts: Sequence[Settled],
    sources: tuple[Source, ...],
    *,
    clinics: pd.DataFrame | None,
    corrections: pd.DataFrame,
) -> Records:
    """Return the records of all parts; the same whatever the parts are and however they stand.

    Parameters
    ----------
    parts
        Settled parts; no child is in two.
    sources
        The exports.
    clinics, corrections
        The programme's corrections and clinics; without a list, those that occur make one.

    Raises
    ------
    BalanceError
        When the books do not add up, or a child is in two parts: a fault of this program.
    RecordsError
        When no row can be used.
    """
    tables = {name: join_tables([part.tables[name] for part in parts], name) for name in KEYS}
    if clinics is not None:
        tables["clinics"] = shape_table(clinics, "clinics")
    books = {name: join_books([part.books[name] for part in parts], name) for name in
             ("rows", "pieces", "amendments")}  # fmt: skip
    doubles = plain_frame(stack_frames([part.doubles for part in parts]))
    told, confirmed = tell_of_all(doubles, add_counts([part.counts for part in parts]), corrections)
    flags = join_books(
        [*(part.books["flags"] for part in parts), told[list(FLAG_COLUMNS)]], "flags"
    )
    tried = plain_frame(stack_frames([*(part.tried for part in parts), confirmed]))
    ledger = Ledger(**books, flags=flags, corrections=build_book(corrections, tried))
    ledger.balance()
    refuse_nothing(len(tables["children"]))
    refuse_divided(tables["children"]["child"])
    return Records(**tables, ledger=ledger, sources=sources)


def refuse_divided(child: pd.Series) -> None:
    """Raise ``BalanceError`` when a child stands twice."""
    if child.duplicated().any():
        raise BalanceError(
            "a child is in two parts of the work",
            allowed="all rows of a child in one part",
            todo="this is a fault of the program: keep the exports and report it",
        )


def total_parts(
    parts: Sequence[Kept], sources: tuple[Source, ...], corrections: pd.DataFrame
) -> Totals:
    """Return what the books of all parts come to, and that they balance.

    Parameters
    ----------
    parts
        Settled parts; no child is in two.
    sources
        The exports.
    corrections
        The programme's corrections.

    Raises
    ------
    BalanceError, RecordsError
        As ``close``.
    """
    sums = add_sums([{name: part.read(f"sum_{name}") for name in SUMS} for part in parts])
    counts = [{name: part.read(f"count_{name}") for name in COUNTS} for part in parts]
    told, confirmed = tell_of_all(_find_alike(parts), add_counts(counts), corrections)
    tried = stack_frames([stack_parts(parts, "tried"), confirmed])
    child = stack_parts(parts, "children", ["child"])["child"]
    refuse_nothing(len(child))
    refuse_divided(child)
    totals = Totals(
        sources=sources,
        rows=sums["rows"],
        records=sums["records"],
        faults=add_faults([sums["faults"], sum_faults(told)]),
        n_children=len(child),
        corrections=build_book(corrections, tried),
        doubles=sort_book(told[told["rule"] == DOUBLE]),
    )
    totals.balance()
    return totals


def total_records(records: Records) -> Totals:
    """Return what the books of records in memory come to."""
    ledger = records.ledger
    flags = ledger.flags[ledger.flags["rule"] == DOUBLE]
    last = records.visits.groupby("child")["visited_on"].max().dt.strftime("%Y-%m-%d")
    last_on = last.reindex(flags["child"]).array
    books = {"rows": ledger.rows, "pieces": ledger.pieces, "flags": ledger.flags}
    return Totals(
        sources=records.sources,
        **sum_books(books, records.visits),
        n_children=len(records.children),
        corrections=ledger.corrections,
        doubles=flags.assign(last_on=last_on.astype("string")).reset_index(drop=True),
    )


def _find_alike(parts: Sequence[Kept]) -> pd.DataFrame:
    """Return of ``Settled.doubles`` the children whose mark another one shares."""
    marks = stack_parts(parts, "doubles", ["mark"])["mark"]
    shared = marks[marks.duplicated()].unique()
    read = (part.read("doubles") for part in parts)
    return stack_frames([frame[frame["mark"].isin(shared)] for frame in read])


def tell_of_all(
    doubles: pd.DataFrame, counts: dict[str, pd.DataFrame], corrections: pd.DataFrame
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Return the flags that take all children to tell, and what became of confirmations of them.

    Parameters
    ----------
    doubles
        Children who could have a second number (``Settled.doubles``); those whose mark nobody
        shares may be left out.
    counts
        ``check_clinics.COUNTS`` of all.
    corrections
        All corrections of the programme.

    Returns
    -------
    flags
        Of children who may be one child, with ``last_on``, and questions to clinics.
    tried
        As of ``confirm_faults``.
    """
    doubles = doubles.sort_values(["mark", "child"], ignore_index=True)
    asked = ask(counts)
    asked = asked.assign(last_on=pd.array([pd.NA] * len(asked), dtype="string"))
    return confirm_faults(stack_frames([tell_doubles(doubles), asked]), corrections)


def refuse_nothing(n_children: int) -> None:
    """Raise ``RecordsError`` when no child is left."""
    if not n_children:
        raise RecordsError(
            "no row of the exports can be used",
            allowed="at least one record that passes the hard rules",
            todo="look at the records to fix: talipes check",
        )


def join_tables(parts: Sequence[pd.DataFrame], name: str) -> pd.DataFrame:
    """Return a canonical table of all parts, sorted by its key."""
    if len(parts) == 1:
        return plain_frame(parts[0])
    joined = plain_frame(stack_frames(parts))
    if name == "clinics":
        joined = joined.drop_duplicates("clinic")
    return shape_table(joined, name)


def join_books(parts: Iterable[pd.DataFrame], name: str) -> pd.DataFrame:
    """Return a book of all parts in its order."""
    filled = [*parts]
    filled = [part for part in filled if len(part)] or filled[:1]
    book = plain_frame(filled[0] if len(filled) == 1 else stack_frames(filled))
    if name not in _ORDERED:
        return sort_book(book)
    order = book["order"].to_numpy()
    if np.any(order[1:] < order[:-1]):
        book = book.iloc[np.argsort(order, kind="stable")].reset_index(drop=True)
    return book.drop(columns="order")


def ask(counts: dict[str, pd.DataFrame]) -> pd.DataFrame:
    """Return the questions to clinics as flags."""
    asked = ask_clinics(counts, ClinicWindows()).assign(severity="soft")
    kinds = {"line": "Int64", "on": "datetime64[s]"}
    absent = [name for name in FLAG_COLUMNS if name not in asked]
    full = asked.assign(**dict.fromkeys(absent, pd.NA))[list(FLAG_COLUMNS)]
    return full.astype({name: kinds.get(name, "string") for name in FLAG_COLUMNS})
