"""The canonical tables from what the rules left."""

from __future__ import annotations

import numpy as np
import pandas as pd

from analytics.definitions.columns import EXTRA_PREFIX, KEYS, TABLES
from analytics.errors import BalanceError
from analytics.intake.accounts import ADDRESS, with_address
from analytics.intake.course import Course, begins
from analytics.intake.frames import nothing, with_columns
from analytics.intake.gathered import Gathered
from analytics.intake.screen import Screened
from analytics.intake.texts import factorize


def build_tables(
    screened: Screened,
    facts: dict[str, pd.DataFrame],
    gathered: Gathered,
) -> dict[str, pd.DataFrame]:
    """Return the five tables, each in its declared columns and sorted by its key.

    Parameters
    ----------
    screened
        Visits that stay.
    facts
        Merged children, feet and departures.
    gathered
        Input rows.

    Returns
    -------
    dict
        ``clinics`` holds the codes that occur.
    """
    visits = _take_visits(screened.kept, gathered.rows)
    known = _known_children(screened, gathered.rows)
    facts = {table: part[part["child"].isin(known)] for table, part in facts.items()}
    children = with_columns(
        facts["children"], clinic=_first_clinic(facts["children"], screened.kept)
    )
    codes = pd.concat([visits["clinic"], children["clinic"]]).dropna().unique()
    clinics = pd.DataFrame({"clinic": pd.array(codes, dtype="string")})
    return {
        "clinics": shape_table(clinics, "clinics"),
        "children": shape_table(children, "children"),
        "feet": shape_table(_find_feet(facts["feet"], screened.kept), "feet"),
        "visits": visits,
        "departures": shape_table(facts["departures"], "departures"),
    }


def _known_children(screened: Screened, rows: pd.DataFrame) -> pd.api.extensions.ExtensionArray:
    """Return the children of rows that can be used, all of whose pieces were not set aside."""
    is_known = rows["reason"].isna().to_numpy()
    seq = screened.pieces["seq"].to_numpy(dtype=np.int64)
    is_known[seq] = False
    is_known[seq[screened.pieces["reason"].isna().to_numpy()]] = True
    return rows["child"].array[is_known].unique()


def _take_visits(kept: Course, rows: pd.DataFrame) -> pd.DataFrame:
    """Return the canonical visits in the order of their key."""
    codes, distinct = kept.table.codes("purpose")
    rank = np.argsort(np.argsort(np.array(distinct, dtype=str)))[codes[kept.at]]
    at = kept.at[np.lexsort((rank, kept.day, kept.foot))]
    own = [column.name for column in TABLES["visits"] if column.name in kept.table]
    extras = [name for name in kept.table.pieces.columns if name.startswith(EXTRA_PREFIX)]
    visits = kept.table.frame(("seq", *own, *extras), at)
    return _shape_columns(with_address(visits, rows), "visits")


def _first_clinic(children: pd.DataFrame, kept: Course) -> pd.Series:
    """Return the clinic of each child's first visit, else the one that its row names."""
    seq = kept.table.pieces["seq"].to_numpy()[kept.at]
    order = np.lexsort((seq, kept.day, kept.child))
    first = kept.show(("child", "clinic"), order[begins(kept.child[order])])
    seen = first.set_index("child")["clinic"].reindex(children["child"])
    return pd.Series(seen.array, index=children.index).fillna(children["clinic"])


def _find_feet(said: pd.DataFrame, course: Course) -> pd.DataFrame:
    """Return the feet that have visits, or of which something is said."""
    seen = course.show(("child", "side"), begins(course.foot))
    return seen.merge(said, on=["child", "side"], how="outer")


def shape_table(frame: pd.DataFrame, table: str) -> pd.DataFrame:
    """Return a canonical table in its declared columns, sorted by its key.

    ``extra_`` columns follow in the order of the alphabet, then those of the address.
    """
    shaped = _shape_columns(frame, table)
    order = key_order(shaped, table)
    if np.array_equal(order, np.arange(len(order))):
        return shaped.reset_index(drop=True)
    return shaped.iloc[order].reset_index(drop=True)


def _shape_columns(frame: pd.DataFrame, table: str) -> pd.DataFrame:
    columns = {column.name: column.dtype for column in TABLES[table]}
    extras = sorted(name for name in frame.columns if name.startswith(EXTRA_PREFIX))
    further = [name for name in ADDRESS if table == "visits"]
    n = len(frame)
    held = {
        name: _of_kind(frame[name], kind) if name in frame else nothing(kind, n)
        for name, kind in columns.items()
    }
    held |= {name: frame[name].array for name in (*extras, *further)}
    return pd.DataFrame(held, copy=False)


def _of_kind(column: pd.Series, kind: str) -> pd.api.extensions.ExtensionArray:
    return column.array if column.dtype == kind else column.astype(kind).array


def key_order(frame: pd.DataFrame, table: str) -> np.ndarray:
    """Return the places of a table's rows in the order of its key."""
    return np.lexsort([factorize(frame[n], sort=True)[0] for n in reversed(KEYS[table])])


def prove_feet(tables: dict[str, pd.DataFrame]) -> None:
    """R33: left and right feet are the children with one foot and twice those with two.

    Raises
    ------
    BalanceError
        When a key occurs twice, a visit has no foot, or a foot has no child.
    """
    doubled = [name for name, table in tables.items() if not _begins(table, KEYS[name]).all()]
    foot = ["child", "side"]
    of_visits = tables["visits"].loc[_begins(tables["visits"], KEYS["feet"]), foot]
    feet = tables["feet"]
    orphans = len(of_visits) - len(of_visits.merge(feet[foot], on=foot))
    orphans += int((~feet["child"].isin(tables["children"]["child"])).sum())
    if doubled or orphans:
        raise BalanceError(
            f"tables with one key twice: {', '.join(doubled) or 'none'}; orphans: {orphans}",
            allowed="children, feet and visits that belong together",
            todo="this is a fault of the program: keep the exports and report it",
        )


def _begins(table: pd.DataFrame, key: tuple[str, ...]) -> np.ndarray:
    """Return the rows of a table, sorted by the key, at which another key begins."""
    opens = np.ones(len(table), dtype=bool)
    opens[1:] = False
    for name in key:
        codes = factorize(table[name])[0]
        opens[1:] |= codes[1:] != codes[:-1]
    return opens
