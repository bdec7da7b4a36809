"""Corrections that came back from clinics: a small CSV that a person keeps beside the settings.

One line is one correction::

    file,sheet,line,action,column,before,after,rule,child,side,on,who,when
    visits.csv,,12,correct,Pirani,45,4.5,,,,,Sr. Ruiz,2026-01-12
    visits.csv,,17,remove row,,,,,k3...,,,Sr. Ruiz,2026-01-12
    visits.csv,,31,confirm as is,,,,R11,k7...,left,2025-03-01,Sr. Ruiz,2026-01-12

    ,,,same child,,,k3...,,k9...,,,Sr. Ruiz,2026-01-12

``correct`` puts ``after`` in the place of ``before`` under the heading ``column`` of the export.
``remove row`` sets the row aside. ``confirm as is`` silences what the soft rule ``rule`` found.
These two name the pseudonym ``child``, so that a line which has become another child's is left
alone. ``same child`` makes the records of ``child`` those of the pseudonym ``after``: a person has
confirmed that they are one. None is applied unless all that it names is found; what became of
each is in the ledger.
"""

from __future__ import annotations

from pathlib import Path

import pandas as pd

from analytics.definitions.checks import CHECKS
from analytics.errors import ExportFileError
from analytics.intake.ledger import CORRECTION_COLUMNS, no_corrections
from analytics.intake.map_types import FileSettings
from analytics.intake.read import Sheet, read_sheet
from analytics.intake.suggest import suggest

CORRECT, REMOVE, CONFIRM = "correct", "remove row", "confirm as is"
SAME_CHILD = "same child"

#: What can be answered about a line, and everything that can be declared.
ANSWERS = (CORRECT, REMOVE, CONFIRM)
ACTIONS = (*ANSWERS, SAME_CHILD)

#: Columns that a file must have, and those that an action cannot do without.
_HEADINGS = ("file", "line", "action", "who", "when")
_NEEDED = {
    CORRECT: ("file", "line", "column"),
    REMOVE: ("file", "line"),
    CONFIRM: ("file", "line", "rule"),
    SAME_CHILD: ("child", "after"),
}

#: What can become of a correction; only the first changes anything.
OUTCOMES = (
    "applied", "no_line", "no_column", "identifier", "before_differs", "child_differs",
    "hard_rule", "no_fault",
)  # fmt: skip


def read_corrections(path: Path) -> pd.DataFrame:
    """Return the corrections of a CSV file, as texts.

    Parameters
    ----------
    path
        CSV in UTF-8 with the headings of ``CORRECTION_COLUMNS``; those that no line needs may be
        left out. A file with headings alone holds no correction.

    Raises
    ------
    ExportFileError
        When a heading or an action is unknown, or a line lacks what its action needs.
    """
    if _has_headings_alone(path):
        return no_corrections()
    sheet = read_sheet(path, FileSettings())
    _refuse_headings(sheet)
    texts = {
        name: sheet.cells[name].astype("string").str.strip().fillna("")
        if name in sheet.cells
        else pd.Series("", index=sheet.cells.index, dtype="string")
        for name in CORRECTION_COLUMNS
    }
    table = pd.DataFrame(texts)
    for row in range(len(table)):
        fault = _find_fault(table.iloc[row], ragged=sheet.aside.codes[row] >= 0)
        if fault:
            raise ExportFileError(
                f"a correction cannot be used: {fault[0]}",
                where=sheet.where(row),
                allowed=fault[1],
                todo="correct this line of the file of corrections",
            )
    lines = pd.to_numeric(table["line"]).astype("Int64").astype("string")
    table = table.assign(line=lines.fillna(""))
    _refuse_circles(table, sheet)
    return table


def find_joined(corrections: pd.DataFrame) -> dict[str, str]:
    """Return pseudonym to the pseudonym of the child that it is, where a person confirmed it."""
    told = corrections[corrections["action"] == SAME_CHILD]
    after = dict(zip(told["child"], told["after"], strict=True))
    return {child: _last(child, after) for child in after}


def _last(child: str, after: dict[str, str]) -> str:
    """Return where a chain of pseudonyms ends; the child itself where it goes in a circle."""
    seen = [child]
    while seen[-1] in after:
        seen.append(after[seen[-1]])
        if seen[-1] in seen[:-1]:
            return child
    return seen[-1]


def _refuse_circles(table: pd.DataFrame, sheet: Sheet) -> None:
    circles = [child for child, last in find_joined(table).items() if child == last]
    if circles:
        row = int(table.index[(table["child"] == circles[0])][0])
        raise ExportFileError(
            "a child is said to be another who is said to be the first",
            where=sheet.where(row),
            allowed="one pseudonym that stands for the child",
            todo="take one of the lines out of the file of corrections",
        )


def _has_headings_alone(path: Path) -> bool:
    try:
        lines = path.read_text(encoding="utf-8-sig").split("\n")
    except (OSError, UnicodeDecodeError):
        return False  # read_sheet says what is wrong
    return bool(lines[0].strip()) and not any(line.strip(", \r\t") for line in lines[1:])


def _refuse_headings(sheet: Sheet) -> None:
    found = [*sheet.cells.columns]
    unknown = [name for name in found if name not in CORRECTION_COLUMNS]
    absent = [name for name in _HEADINGS if name not in found]
    if unknown or absent:
        raise ExportFileError(
            f"the file of corrections has the heading '{unknown[0]}'"
            if unknown
            else f"the file of corrections has no heading '{absent[0]}'",
            where=sheet.where(),
            allowed=", ".join(CORRECTION_COLUMNS),
            todo=(suggest(unknown[0], CORRECTION_COLUMNS) if unknown else "")
            or "correct the headings",
        )


def _find_fault(row: pd.Series, *, ragged: bool) -> tuple[str, str] | None:
    """Return what is wrong with a correction and what is allowed; nothing when it can be tried."""
    if ragged:
        return "it has more or fewer cells than there are headings", ", ".join(CORRECTION_COLUMNS)
    action = row["action"]
    if action not in ACTIONS:
        return f"the action is '{action}'", ", ".join(ACTIONS)
    needed = [*_NEEDED[action], "who", "when"]
    absent = [name for name in needed if not row[name]]
    if absent:
        return f"'{absent[0]}' is empty", f"'{action}' needs {', '.join(needed)}"
    if row["line"] and not row["line"].isdecimal():
        return f"the line is '{row['line']}'", "a line of the export, counted from 1"
    if action == CONFIRM and row["rule"] not in CHECKS:
        return f"there is no rule '{row['rule']}'", ", ".join(CHECKS)
    if action == CORRECT and row["before"] == row["after"]:
        return "before and after are the same", "another value, or the action 'confirm as is'"
    days = [name for name in ("when", "on") if row[name] and not _is_day(row[name])]
    return (f"'{days[0]}' is '{row[days[0]]}'", "a day as YYYY-MM-DD") if days else None


def _is_day(text: str) -> bool:
    return len(text) == 10 and not pd.isna(pd.to_datetime(text, format="%Y-%m-%d", errors="coerce"))
