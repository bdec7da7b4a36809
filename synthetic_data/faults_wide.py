"""The faults planted in the wide export: each in one record of a row, or a row of its own."""

from __future__ import annotations

from collections.abc import Callable

from synthetic_data.planted import Fault, Register, Row
from synthetic_data.wide_export import CHILD, heading

#: Heading of a row's place in the sheet that the fault on the next row is told by.
MARKS = {"G": "left", "D": "right"}


def _piece(group: str, mark: str, n: int = 0) -> str:
    return " ".join(p for p in (group, str(n) if n else "", MARKS[mark]) if p)


def _with(group: str, column: str, *, n: int = 0, centres: tuple[str, ...] = ()) -> Callable:
    """Return what finds a row where a column of a group is filled for one foot alone."""

    def wanted(rows: list[Row]) -> Row | None:
        row = rows[0]
        mark = row["Côté atteint"]
        if mark not in MARKS or (centres and row["Centre"] not in centres):
            return None
        relapse = any("réc" in head and text == "oui" for head, text in row.items())
        filled = row.get(heading(group, column, side=mark, n=n), "")
        return row if filled and not relapse else None

    return wanted


def _change(register: Register, group: str, n: int, changes: dict[str, str], **how: object) -> Row:
    row = register.find(_with(group, next(iter(changes)), n=n, **how))
    mark = row["Côté atteint"]
    for column, text in changes.items():
        row[heading(group, column, side=mark, n=n)] = text
    return row


def plant_hard(register: Register) -> list[Fault]:
    """Plant records that must be set aside while the rest of the row stays."""
    planted = (
        ("dimeglio_23", "R06", "Dimeglio total of 23", "start", 0, {"dimeglio_total": "23"}, {}),
        ("day_impossible", "unreadable", "31 November", "brace", 3,
         {"visited_on": "31/11/2025"}, {}),
        ("hours_26", "R19", "brace worn 26 hours a day", "brace", 2, {"brace_hours": "26"}, {}),
        ("day_in_future", "R02", "control after the cut-off", "brace", 4,
         {"visited_on": "03/02/2027"}, {}),
        ("parts_above_total", "R06", "Pirani total below the sum of its parts", "fitting", 0,
         {"pirani_total": "0", "pirani_midfoot": "0,5", "pirani_hindfoot": "0,5"}, {}),
    )  # fmt: skip
    found = []
    for name, rule, what, group, n, changes, how in planted:
        row = _change(register, group, n, changes, **how)
        piece = _piece(group, row["Côté atteint"], n)
        found.append(Fault(name, rule, "quarantined", what, row, piece))
    return found


def plant_other(register: Register) -> list[Fault]:
    """Plant a wrong foot, a stiff midfoot at tenotomy, a child sent twice, a line of totals."""
    stiff = register.find(_with("tenotomy", "pirani_hindfoot"))
    mark = stiff["Côté atteint"]
    hindfoot = float(stiff[heading("tenotomy", "pirani_hindfoot", side=mark)].replace(",", "."))
    stiff[heading("tenotomy", "pirani_midfoot", side=mark)] = "2"
    total = f"{hindfoot + 2:g}".replace(".", ",")
    stiff[heading("tenotomy", "pirani_total", side=mark)] = total
    sound = register.find(_with("cast", "visited_on", n=2))
    other = {"G": "D", "D": "G"}[sound["Côté atteint"]]
    day = sound[heading("cast", "visited_on", side=sound["Côté atteint"], n=2)]
    sound[heading("cast", "visited_on", side=other, n=2)] = day
    twice = register.find(_with("brace", "brace_hours", n=2))
    again = register.insert_after(twice, dict(twice))
    total_row: Row = {CHILD["id"]: "Total", "Observations": f"{len(register.rows)} lignes"}
    register.rows.append(total_row)
    return [
        Fault("tenotomy_midfoot_2", "R10", "kept", "tenotomy with a midfoot of 2", stiff,
              _piece("tenotomy", mark)),
        Fault("cast_on_sound_foot", "R05", "quarantined", "cast on the foot that is not affected",
              sound, _piece("cast", other, 2)),
        Fault("child_sent_twice", "duplicate", "merged", "the whole row sent twice", again),
        Fault("line_of_totals", "total_row", "quarantined", "a line of totals", total_row),
    ]  # fmt: skip


def plant(register: Register) -> list[Fault]:
    """Plant all faults of the wide export."""
    return [*plant_hard(register), *plant_other(register)]
