"""The canonical tables from what the rules left."""

from __future__ import annotations

import numpy as np
import pandas as pd

from analytics.definitions.columns import EXTRA_PREFIX, KEYS, TABLES
from analytics.errors import BalanceError
from analytics.intake.accounts import with_address
from analytics.intake.course import Course
from analytics.intake.frames import nothing, take_places, with_columns
from analytics.intake.gathered import Gathered
from analytics.intake.ledger import ADDRESS
from analytics.intake.runs import begins, changes
from analytics.intake.screen import Screened
from analytics.intake.texts import coded_column, factorize, from_codes, repeat_text, share_texts


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
    facts = {table: _of_children(part, known) for table, part in facts.items()}
    children = with_columns(
        facts["children"], clinic=_first_clinic(facts["children"], screened.kept)
    )
    codes = np.concatenate([table["clinic"].array.codes for table in (visits, children)])
    clinic = from_codes(np.unique(codes[codes >= 0]), visits["clinic"].array.categories)
    return {
        "clinics": shape_table(pd.DataFrame({"clinic": clinic}), "clinics"),
        "children": shape_table(children, "children"),
        "feet": shape_table(_find_feet(facts["feet"], screened.kept), "feet"),
        "visits": visits,
        "departures": shape_table(facts["departures"], "departures"),
    }


def _known_children(screened: Screened, rows: pd.DataFrame) -> np.ndarray:
    """Return the children of rows that can be used, all of whose pieces were not set aside.

    Returns
    -------
    ndarray
        A truth value for each code of a child, and one for none.
    """
    is_known = rows["reason"].array.isna()
    seq = screened.pieces["seq"].to_numpy(dtype=np.int64)
    is_known[seq] = False
    is_known[seq[screened.pieces["reason"].array.isna()]] = True
    child = rows["child"].array
    known = np.zeros(len(child.categories) + 1, dtype=bool)
    known[child.codes[is_known]] = True
    known[-1] = False
    return known


def _of_children(facts: pd.DataFrame, known: np.ndarray) -> pd.DataFrame:
    return take_places(facts, np.flatnonzero(known[facts["child"].array.codes]))


def _take_visits(kept: Course, rows: pd.DataFrame) -> pd.DataFrame:
    """Return the canonical visits in the order of their key."""
    own = [column.name for column in TABLES["visits"] if column.name in kept.table]
    extras = [name for name in kept.table.pieces.columns if name.startswith(EXTRA_PREFIX)]
    visits = kept.table.frame(("seq", *own, *extras), kept.at[_order_days(kept)])
    return _shape_columns(with_address(visits, rows), "visits")


def _order_days(kept: Course) -> np.ndarray:
    """Return the places of the visits of a course, those of a day by the text of their purpose."""
    codes, distinct = kept.table.codes("purpose")
    order = np.arange(len(kept.at))
    begin = kept.begin_of_day
    shares = begin != order
    shares[:-1] |= shares[1:]
    rows = np.flatnonzero(shares)
    rank = np.argsort(np.argsort(np.array(distinct, dtype=str)))[codes[kept.at[rows]]]
    order[rows] = rows[np.lexsort((rank, begin[rows]))]
    return order


def _first_clinic(children: pd.DataFrame, kept: Course) -> pd.Categorical:
    """Return the clinic of each child's first visit, else the one that its row names."""
    own, told = children["clinic"].array, kept.table.pieces["clinic"].array
    clinic = np.full(len(children["child"].array.categories) + 1, -1)
    if len(kept.at):
        begin = begins(kept.child)
        seq = kept.table.pieces["seq"].to_numpy()[kept.at]
        is_first = kept.day == np.minimum.reduceat(kept.day, begin)[kept.child]
        earliest = np.minimum.reduceat(np.where(is_first, seq, seq.max() + 1), begin)
        first = np.flatnonzero(is_first & (seq == earliest[kept.child]))[::-1]
        at = kept.at[first]
        clinic[kept.table.pieces["child"].array.codes[at]] = told.codes[at]
    seen = clinic[children["child"].array.codes]
    return from_codes(np.where(seen < 0, own.codes, seen), own.categories)


def _find_feet(said: pd.DataFrame, course: Course) -> pd.DataFrame:
    """Return the feet that have visits, or of which something is said."""
    child, side = said["child"].array, said["side"].array
    seen = course.at[begins(course.foot)]
    pieces, width = course.table.pieces, len(side.categories)
    of_seen, of_said = (
        one.codes.astype(np.int64) * width + other.codes
        for one, other in (
            (pieces["child"].array[seen], pieces["side"].array[seen]), (child, side)
        )
    )  # fmt: skip
    place = np.full(len(child.categories) * width, -1)
    place[of_seen] = len(said)
    place[of_said] = np.arange(len(said))
    foot = np.flatnonzero(place >= 0)
    at = np.where(place[foot] == len(said), -1, place[foot])
    further = [name for name in said.columns if name not in ("child", "side")]
    return pd.DataFrame(
        {
            "child": from_codes(foot // max(width, 1), child.categories),
            "side": from_codes(foot % max(width, 1), side.categories),
            **{name: said[name].array.take(at, allow_fill=True) for name in further},
        }
    )


def shape_table(frame: pd.DataFrame, table: str) -> pd.DataFrame:
    """Return a canonical table in its declared columns, sorted by its key.

    ``extra_`` columns follow in the order of the alphabet, then those of the address. Texts are
    coded where any of the frame are.
    """
    shaped = _shape_columns(frame, table)
    order = key_order(shaped, table)
    if np.array_equal(order, np.arange(len(order))):
        return shaped.reset_index(drop=True)
    return take_places(shaped, order)


def _shape_columns(frame: pd.DataFrame, table: str) -> pd.DataFrame:
    columns = {column.name: column.dtype for column in TABLES[table]}
    extras = sorted(name for name in frame.columns if name.startswith(EXTRA_PREFIX))
    further = [name for name in ADDRESS if table == "visits"]
    n, is_coded = len(frame), any(kind == "category" for kind in frame.dtypes)
    held = {
        name: _of_kind(frame[name], kind)
        if name in frame
        else repeat_text(None, n)
        if is_coded and kind == "string"
        else nothing(kind, n)
        for name, kind in columns.items()
    }
    held |= {name: frame[name].array for name in (*extras, *further)}
    return pd.DataFrame(held, copy=False)


def _of_kind(column: pd.Series, kind: str) -> pd.api.extensions.ExtensionArray:
    is_right = column.dtype == (kind if column.dtype != "category" else "category")
    return column.array if is_right else column.astype(kind).array


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
    doubled = [name for name, table in tables.items() if not _changes(table, KEYS[name]).all()]
    visits, feet = tables["visits"], tables["feet"]
    begin = _changes(visits, KEYS["feet"])
    of_visits = [coded_column(visits[name]).take(np.flatnonzero(begin)) for name in KEYS["feet"]]
    child, of_feet, of_children = share_texts(
        [of_visits[0], coded_column(feet["child"]), coded_column(tables["children"]["child"])]
    )
    side, side_of_feet = share_texts([of_visits[1], coded_column(feet["side"])])
    width = len(side.categories) + 1
    seen, known = (
        own.codes.astype(np.int64) * width + other.codes
        for own, other in ((child, side), (of_feet, side_of_feet))
    )
    orphans = int((~np.isin(seen, known)).sum())
    orphans += int((~np.isin(of_feet.codes, of_children.codes)).sum())
    if doubled or orphans:
        raise BalanceError(
            f"tables with one key twice: {', '.join(doubled) or 'none'}; orphans: {orphans}",
            allowed="children, feet and visits that belong together",
            todo="this is a fault of the program: keep the exports and report it",
        )


def _changes(table: pd.DataFrame, key: tuple[str, ...]) -> np.ndarray:
    """Return the rows of a table, sorted by the key, at which another key begins."""
    return changes(*(_number(table[name]) for name in key))


def _number(column: pd.Series) -> np.ndarray:
    """Return a number for each value: equal where values are."""
    held = column.array
    if isinstance(held, pd.Categorical):
        return held.codes
    return held.asi8 if isinstance(held, pd.arrays.DatetimeArray) else factorize(column)[0]
