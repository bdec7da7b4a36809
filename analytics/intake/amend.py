"""Values that cannot be used: a needed one sets its record aside, another is left out."""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np
import pandas as pd

from analytics.definitions.columns import TABLES
from analytics.intake.frames import Columns, with_columns
from analytics.intake.gathered import Gathered
from analytics.intake.texts import (
    categorise,
    coded_column,
    factorize,
    fold_codes,
    from_codes,
    put_text,
    repeat_text,
)

_NEEDED = ("child", "visited_on", "purpose", "clinic")

#: Columns of a visit that a flag tells.
FLAGGED = ("seq", "clinic", "child", "side", "visited_on")

#: Reasons for which a row is set aside and nobody has anything to correct.
_NOTHING_TO_FIX = ("removed", "other_resource", "not_done")

#: Columns whose limits and steps are a rule of their own (R06, R19).
_HAVE_A_RULE = ("points", "hours")


def set_aside_incomplete(visits: pd.DataFrame, troubles: pd.DataFrame) -> pd.DataFrame:
    """Return the pieces with a reason where a needed value is missing or cannot be read.

    Parameters
    ----------
    visits
        Pieces with ``seq, piece, reason``.
    troubles
        Values that could not be read.
    """
    found = coded_column(visits["reason"])
    known = found.codes >= 0
    lacks = np.logical_or.reduce([visits[name].array.isna() for name in _NEEDED])
    is_unread = np.zeros(len(visits), dtype=bool)
    is_unread[[*_find_unread(visits, troubles)]] = True
    for reason, where in (("R05", visits["side"].array.isna()), ("missing", lacks),
                          ("unreadable", is_unread)):  # fmt: skip
        found = put_text(found, where & ~known, reason)
    return with_columns(visits, reason=found)


def _find_unread(visits: pd.DataFrame, troubles: pd.DataFrame) -> dict[int, str]:
    """Return the place of each piece with an unreadable needed value to what stood there."""
    needed = troubles[(troubles["table"] == "visits") & troubles["column"].isin(_NEEDED)]
    if needed.empty:
        return {}
    seq = needed["seq"].to_numpy(dtype=np.int64)
    texts: dict[tuple[int, str], list[str]] = {}
    for *own, name, before in zip(
        seq.tolist(), *(needed[n].tolist() for n in ("piece", "column", "before")), strict=True
    ):
        texts.setdefault((own[0], own[1]), []).append(f"{name}={before}")
    is_near = np.zeros(int(max(seq.max(), visits["seq"].max())) + 1, dtype=bool)
    is_near[seq] = True
    at = np.flatnonzero(is_near[visits["seq"].to_numpy()])
    near = zip(visits["seq"].to_numpy()[at].tolist(), visits["piece"].array[at], strict=True)
    return {
        place: ", ".join(texts[piece])
        for place, piece in zip(at.tolist(), near, strict=True)
        if piece in texts
    }


def tell_rows(rows: pd.DataFrame) -> Columns:
    """Return a hard flag for each row that as a whole is no record, or cannot be used as one.

    Parameters
    ----------
    rows
        Input rows by ``seq``, with their reason.
    """
    codes, reasons = factorize(rows["reason"])
    is_told = np.array([*(reason not in _NOTHING_TO_FIX for reason in reasons), False], dtype=bool)
    is_missing = np.array([*(reason == "missing" for reason in reasons), False], dtype=np.int8)
    seq = np.flatnonzero(is_told[codes])
    return {
        "seq": seq,
        "table": repeat_text("children", len(seq)),
        "clinic": rows["clinic"].array.take(seq),
        "child": rows["child"].array.take(seq),
        "rule": rows["reason"].array.take(seq),
        "severity": repeat_text("hard", len(seq)),
        "found": from_codes(is_missing[codes[seq]], ["", "child missing"]),
    }


def tell_incomplete(visits: pd.DataFrame, troubles: pd.DataFrame) -> Columns:
    """Return a hard flag for each piece that was set aside before any rule.

    Parameters
    ----------
    visits
        Pieces with their reason.
    troubles
        Values that could not be read, for what is shown.
    """
    at = np.flatnonzero(~visits["reason"].array.isna())
    out = {n: visits[n].array.take(at) for n in (*FLAGGED, "purpose", "reason")}
    names = (*_NEEDED, "side")
    lacking = np.zeros(len(at), dtype=np.int64)
    for bit, name in enumerate(names):
        lacking |= out[name].isna().astype(np.int64) << bit
    said = [
        ", ".join(name for bit, name in enumerate(names) if bits >> bit & 1) + " missing"
        for bits in range(2 ** len(names))
    ]
    unread = _find_unread(visits, troubles)
    place = {text: len(said) + n for n, text in enumerate(dict.fromkeys(unread.values()))}
    read = {at: place[text] for at, text in unread.items()}
    code = np.array([read.get(piece, -1) for piece in at.tolist()] if read else [-1] * len(at))
    code = np.where(code < 0, lacking, code).astype(np.int64)
    found = fold_codes(code, np.array([*said, *place], dtype=object))
    return flag_visits(out, rule=out["reason"], severity="hard", found=found)


def flag_visits(
    visits: Columns,
    *,
    rule: pd.Categorical | str,
    severity: pd.Categorical | str,
    found: pd.Categorical,
) -> Columns:
    """Return a flag for each visit given.

    Parameters
    ----------
    visits
        ``FLAGGED`` of each.
    rule, severity
        Code and severity of the rule.
    found
        What stood there, one text for each visit.
    """
    n = len(found)
    return {
        **{name: visits[name] for name in ("seq", "clinic", "child", "side")},
        "on": visits["visited_on"],
        "table": repeat_text("visits", n),
        "rule": repeat_text(rule, n) if isinstance(rule, str) else rule,
        "severity": repeat_text(severity, n) if isinstance(severity, str) else severity,
        "found": found,
    }


def leave_out_impossible(frame: pd.DataFrame, table: str) -> tuple[pd.DataFrame, Columns]:
    """Return the rows without values outside their column's limits, and what was left out.

    Parameters
    ----------
    frame
        Rows with ``seq`` and the columns of the table.
    table
        Canonical table.

    Returns
    -------
    frame
        The same rows in the same order.
    amended
        ``seq, table, column, before, after, rule``.
    """
    seq, columns, before = [np.array([], dtype=np.int64)], [], []
    for column in TABLES[table]:
        if column.limits is None or column.unit in _HAVE_A_RULE or column.name not in frame:
            continue
        held = frame[column.name].array
        known = np.flatnonzero(~held.isna())
        values = held.take(known).to_numpy(dtype=float)
        low, high = column.limits
        off = (values < low) | (values > high)
        if column.step is not None:
            steps = values / column.step
            off |= np.abs(steps - np.rint(steps)) > 1e-9
        if off.any():
            at = known[off]
            held = held.copy()
            held[at] = pd.NA
            frame = with_columns(frame, **{column.name: held})
            seq.append(frame["seq"].to_numpy()[at])
            columns += [column.name] * len(at)
            before += [f"{value:.10g}" for value in values[off]]
    n = len(before)
    return frame, {
        "seq": np.concatenate(seq),
        "table": repeat_text(table, n),
        "column": categorise(columns),
        "before": categorise(before),
        "after": repeat_text("", n),
        "rule": repeat_text("limits", n),
    }


def amend_unreadable(troubles: pd.DataFrame) -> Columns:
    """Return an amendment for each value of an optional column that could not be read."""
    needed = (troubles["table"] == "visits") & troubles["column"].isin((*_NEEDED, "side"))
    at = np.flatnonzero(~needed)
    names = ("seq", "table", "column", "before", "rule")
    told = {name: troubles[name].array.take(at) for name in names}
    return told | {"after": repeat_text("", len(at))}


def flag_amendments(amended: Columns, gathered: Gathered) -> Columns:
    """Return a soft flag for each value that was left out."""
    at = np.asarray(amended["seq"], dtype=np.int64)
    return {
        "seq": at,
        "table": amended["table"],
        "clinic": gathered.rows["clinic"].array.take(at),
        "child": gathered.rows["child"].array.take(at),
        "rule": amended["rule"],
        "severity": repeat_text("soft", len(at)),
        "found": tell_values(amended["column"], amended["before"]),
    }


def tell_values(columns: Iterable[str], values: Iterable[object]) -> pd.Categorical:
    """Return "column=value" for each of some values; missing where the value is."""
    held = zip(columns, values, strict=True)
    return categorise([None if pd.isna(value) else f"{name}={value}" for name, value in held])
