"""Values that cannot be used: a needed one sets its record aside, another is left out."""

from __future__ import annotations

import numpy as np
import pandas as pd

from analytics.definitions.columns import TABLES
from analytics.intake.frames import with_columns
from analytics.intake.gathered import Gathered

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
    needed = troubles[(troubles["table"] == "visits") & troubles["column"].isin(_NEEDED)]
    is_unread = np.zeros(len(visits), dtype=bool)
    likely = np.flatnonzero(np.isin(visits["seq"].to_numpy(), needed["seq"].to_numpy()))
    unread = pd.MultiIndex.from_frame(needed[["seq", "piece"]])
    own = pd.MultiIndex.from_frame(visits[["seq", "piece"]].iloc[likely])
    is_unread[likely] = own.isin(unread)
    lacks = np.logical_or.reduce([visits[name].isna().to_numpy() for name in _NEEDED])
    found = np.full(len(visits), pd.NA, dtype=object)
    found[visits["side"].isna().to_numpy()] = "R05"
    found[lacks] = "missing"
    found[is_unread] = "unreadable"
    known = visits["reason"].notna().to_numpy()
    found[known] = visits["reason"].to_numpy(dtype=object)[known]
    return with_columns(visits, reason=pd.array(found, dtype="string"))


def tell_rows(rows: pd.DataFrame) -> pd.DataFrame:
    """Return a hard flag for each row that as a whole is no record, or cannot be used as one.

    Parameters
    ----------
    rows
        Input rows by ``seq``, with their reason.
    """
    seq = np.flatnonzero(rows["reason"].notna())
    seq = seq[~rows["reason"].iloc[seq].isin(_NOTHING_TO_FIX).to_numpy()]
    out = rows.iloc[seq]
    return pd.DataFrame(
        {
            "seq": seq,
            "table": "children",
            "clinic": out["clinic"].array,
            "child": out["child"].array,
            "rule": out["reason"].array,
            "severity": "hard",
            "found": np.where(out["reason"].eq("missing"), "child missing", ""),
        }
    )


def tell_incomplete(visits: pd.DataFrame, troubles: pd.DataFrame) -> pd.DataFrame:
    """Return a hard flag for each piece that was set aside before any rule.

    Parameters
    ----------
    visits
        Pieces with their reason.
    troubles
        Values that could not be read, for what is shown.
    """
    out = visits[visits["reason"].notna()]
    lacking = pd.Series("", index=out.index, dtype="string")
    for name in (*_NEEDED, "side"):
        lacking = lacking.where(out[name].notna(), lacking + f"{name}, ")
    needed = troubles[(troubles["table"] == "visits") & troubles["column"].isin(_NEEDED)]
    texts = needed["column"].astype("string") + "=" + needed["before"]
    unread = texts.groupby([needed["seq"], needed["piece"]]).agg(", ".join)
    own = pd.MultiIndex.from_frame(out[["seq", "piece"]])
    read = pd.Series(unread.reindex(own).array, index=out.index, dtype="string")
    found = read.fillna(lacking.str.removesuffix(", ") + " missing")
    return flag_visits(out, rule=out["reason"], severity="hard", found=found)


def flag_visits(
    visits: pd.DataFrame, *, rule: pd.Series | str, severity: str, found: pd.Series
) -> pd.DataFrame:
    """Return a flag for each visit given.

    Parameters
    ----------
    visits
        Visits with ``seq``.
    rule, severity
        Code and severity of the rule.
    found
        What stood there, one text for each visit.
    """
    return pd.DataFrame(
        {
            "seq": visits["seq"].array,
            "table": "visits",
            "clinic": visits["clinic"].array,
            "child": visits["child"].array,
            "side": visits["side"].array,
            "on": visits["visited_on"].array,
            "rule": rule.array if isinstance(rule, pd.Series) else rule,
            "severity": severity,
            "found": found.array,
        }
    )


def leave_out_impossible(frame: pd.DataFrame, table: str) -> tuple[pd.DataFrame, pd.DataFrame]:
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
    parts = []
    for column in TABLES[table]:
        if column.limits is None or column.unit in _HAVE_A_RULE or column.name not in frame:
            continue
        values = frame[column.name].to_numpy(dtype=float, na_value=np.nan)
        low, high = column.limits
        off = (values < low) | (values > high)
        if column.step is not None:
            steps = values / column.step
            off |= np.abs(steps - np.round(steps)) > 1e-9
        if off.any():
            frame = with_columns(frame, **{column.name: frame[column.name].mask(off)})
            parts.append(
                pd.DataFrame(
                    {
                        "seq": frame["seq"].to_numpy()[off],
                        "table": table,
                        "column": column.name,
                        "before": [f"{value:.10g}" for value in values[off]],
                        "after": "",
                        "rule": "limits",
                    }
                )
            )
    amended = pd.concat(parts, ignore_index=True) if parts else pd.DataFrame()
    return frame, amended


def amend_unreadable(troubles: pd.DataFrame) -> pd.DataFrame:
    """Return an amendment for each value of an optional column that could not be read."""
    needed = (troubles["table"] == "visits") & troubles["column"].isin((*_NEEDED, "side"))
    return troubles[~needed].assign(after="")


def flag_amendments(amended: pd.DataFrame, gathered: Gathered) -> pd.DataFrame:
    """Return a soft flag for each value that was left out."""
    if amended.empty:
        return pd.DataFrame()
    at = amended["seq"].to_numpy(dtype=np.int64)
    return pd.DataFrame(
        {
            "seq": at,
            "table": amended["table"].array,
            "clinic": gathered.rows["clinic"].array.take(at),
            "child": gathered.rows["child"].array.take(at),
            "rule": amended["rule"].array,
            "severity": "soft",
            "found": (amended["column"].astype("string") + "=" + amended["before"]).array,
        }
    )
