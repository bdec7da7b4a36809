"""The faults planted in the long export."""

from __future__ import annotations

from collections.abc import Callable
from itertools import pairwise

from synthetic_data.long_export import HEADINGS
from synthetic_data.planted import Fault, Register, Row, days_between, shift

#: Cells beyond the last heading; the writer puts them at the end of the line.
EXTRA_CELL = "extra cell"


def _blank(like: Row, **changes: str) -> Row:
    """Return a review of the same foot at the same clinic, all else empty, with changes."""
    kept = {name: like[name] for name in ("Child no", "Clinic", "Foot")}
    row = dict.fromkeys(HEADINGS, "") | kept
    return row | {"Visit type": "Review"} | changes


def _of(rows: list[Row], kind: str, foot: str = "") -> list[Row]:
    return [r for r in rows if r["Visit type"] == kind and foot in ("", r["Foot"])]


def _quiet_review(rows: list[Row]) -> Row | None:
    """Return a brace review with no other visit within 25 days after it, in an even course."""
    if any(r["Relapse"] == "Y" for r in rows):
        return None
    days = sorted(r["Visit date"] for r in rows)
    for row in _of(rows, "Brace")[2:]:
        later = [d for d in days if d > row["Visit date"]]
        if later and days_between(row["Visit date"], later[0]) > 25 and row["Brace use"]:
            return row
    return None


def _extra(register: Register, changes: Callable[[Row], dict[str, str]]) -> Row:
    """Return a further review, ten days after a quiet one, with changes."""
    base = register.find(_quiet_review)
    row = _blank(base, **({"Visit date": shift(base["Visit date"], 10)} | changes(base)))
    return register.insert_after(base, row)


def plant_hard(register: Register) -> list[Fault]:
    """Plant records that must be set aside; each stands on a row of its own."""
    fixed = {
        "date_in_future": ("R02", "visit after the cut-off", {"Visit date": "2027-03-15"}),
        "date_impossible": ("unreadable", "30 February", {"Visit date": "2025-02-30"}),
        "pirani_above_six": ("R06", "Pirani total of 7.5", {"Pirani": "7.5"}),
        "total_not_parts": ("R06", "Pirani total is not the sum of its parts",
                            {"Midfoot": "0", "Hindfoot": "0.5", "Pirani": "2"}),
        "sign_between_steps": ("R06", "a sign of 0.7 points", {"Talar head": "0.7"}),
        "side_missing": ("R05", "no foot named", {"Foot": ""}),
        "hours_thirty": ("R19", "brace worn 30 hours a day",
                         {"Visit type": "Brace", "Brace hours": "30"}),
        "type_unknown": ("unreadable", "visit type that the map does not know",
                         {"Visit type": "Xray"}),
        "cells_too_many": ("ragged_row", "one cell more than headings", {EXTRA_CELL: "?"}),
    }  # fmt: skip
    faults = [
        Fault(name, rule, "quarantined", what, _extra(register, lambda _, c=changes: c))
        for name, (rule, what, changes) in fixed.items()
    ]
    return faults + _plant_out_of_order(register)


def _plant_out_of_order(register: Register) -> list[Fault]:
    def died(rows: list[Row]) -> Row | None:
        return rows[-1] if rows[-1]["Reason"] == "Died" else None

    def born_since(first: str, last: str) -> Callable[[list[Row]], Row | None]:
        return lambda rows: rows[0] if first <= rows[0]["Date of birth"] <= last else None

    def in_casting(rows: list[Row]) -> Row | None:
        casts = _of(rows, "Cast", rows[0]["Foot"])
        whole = len(casts) > 4 and days_between(casts[1]["Visit date"], casts[2]["Visit date"]) == 7
        fresh = rows[0]["Treated before"] == "No" and _of(rows, "Fit", rows[0]["Foot"])
        return casts[1] if whole and fresh else None

    dead = register.find(died)
    after = _blank(dead, **{"Visit date": shift(dead["Care ended"], 20)})
    young = register.find(born_since("2022-01-01", "2026-01-01"))
    unborn = _blank(young, **{"Visit date": shift(young["Date of birth"], -20)})
    old = register.find(born_since("2018-01-01", "2020-04-01"))
    before = _blank(old, **{"Visit date": "2020-06-10"})
    cast = register.find(in_casting)
    early = _blank(cast, **{"Visit date": shift(cast["Visit date"], 3), "Relapse": "Y"})
    return [
        Fault("visit_after_death", "R29", "quarantined", "visit 20 days after death",
              register.insert_after(dead, after)),
        Fault("visit_before_birth", "R01", "quarantined", "visit 20 days before birth",
              register.insert_after(young, unborn)),
        Fault("visit_before_programme", "R02", "quarantined", "visit before the programme began",
              register.insert_after(old, before)),
        Fault("relapse_before_correction", "R20", "quarantined", "relapse noted while in casts",
              register.insert_after(cast, early)),
    ]  # fmt: skip


def plant_merged(register: Register) -> list[Fault]:
    """Plant submissions that repeat a record."""
    found = []
    for name, what, changes in (
        ("row_repeated", "the same row sent twice", {}),
        ("row_nearly_repeated", "sent again with one value less", {"Brace use": ""}),
        ("row_contradicted", "sent again with other hours", {"Brace hours": "11"}),
    ):
        base = register.find(
            lambda rows: (lambda r: r if r and r["Brace hours"] in ("12", "13") else None)(
                _quiet_review(rows)
            )
        )
        again = register.insert_after(base, base | changes)
        found.append(Fault(name, "duplicate", "merged", what, again))
        if name == "row_contradicted":
            told = "the hours of this row and of its repeat differ"
            found.append(Fault("hours_contradicted", "conflict", "kept", told, base))
    return found


def _course(rows: list[Row], kind: str) -> Row | None:
    """Return the first row of a kind in the first foot of a plain, finished course."""
    plain = rows[0]["Treated before"] == "No" and not any(r["Relapse"] == "Y" for r in rows)
    foot = rows[0]["Foot"]
    casts = _of(rows, "Cast", foot)
    gaps = [days_between(a["Visit date"], b["Visit date"]) for a, b in pairwise(casts[:-1])]
    even = len(casts) > 4 and all(gap in (6, 7, 8) for gap in gaps)
    scored = all(r["Pirani"] for r in casts[:-1])
    if not (plain and even and scored and rows[0]["Date of birth"] and _of(rows, "Brace", foot)):
        return None
    return next(iter(_of(rows, kind, foot)), None)


def _nth_cast(n: int) -> Callable[[list[Row]], Row | None]:
    def wanted(rows: list[Row]) -> Row | None:
        first = _course(rows, "Cast")
        casts = _of(rows, "Cast", first["Foot"]) if first else []
        return casts[n] if len(casts) > n + 2 and float(casts[n]["Pirani"]) <= 4 else None

    return wanted


def plant_soft(register: Register) -> list[Fault]:
    """Plant records that are kept and flagged."""
    cut = register.find(lambda rows: _with(_course(rows, "Tenot"), "Hindfoot"))
    total = float(cut["Hindfoot"]) + 1.5
    cut |= {"Midfoot": "1.5", "Pirani": f"{total:g}"}
    fit = register.find(lambda rows: _with(_course(rows, "Fit"), "Pirani"))
    fit |= {"Midfoot": "0", "Hindfoot": "2", "Pirani": "2"}
    soon = register.find(_nth_cast(1))
    earlier = _of(register.children[soon["Child no"]], "Cast", soon["Foot"])[0]
    soon["Visit date"] = shift(earlier["Visit date"], 2)
    risen = register.find(_nth_cast(2))
    risen |= {"Midfoot": "3", "Hindfoot": "3", "Pirani": "6"}
    renumbered = register.find(_nth_cast(2))
    renumbered["Cast no"] = "9"
    newborn = register.find(_same_day_start)
    page = register.children[newborn["Child no"]][0]
    page["Date of birth"] = shift(newborn["Visit date"], -1)
    idle = register.find(lambda rows: _at(rows, "Brace", 1, "Brace hours"))
    idle |= {"Brace use": "Some", "Brace hours": "5"}
    return [
        Fault("tenotomy_stiff_midfoot", "R10", "kept", "tenotomy with a midfoot of 1.5", cut),
        Fault("brace_stiff_foot", "R08", "kept", "brace fitted with a score of 2", fit),
        Fault("casts_close", "R11", "kept", "cast changed after two days", soon),
        Fault("score_rises", "R09", "kept", "score rises by over 1.5 between casts", risen),
        Fault("cast_number_jumps", "R13", "kept", "third cast numbered 9", renumbered),
        Fault("start_day_after_birth", "R03b", "kept", "cast on the day after birth", newborn),
        Fault("hours_few_full_time", "R19a", "kept", "five hours a day in full time", idle),
        *_plant_soft_rows(register),
    ]


def _with(row: Row | None, column: str) -> Row | None:
    return row if row and row[column] else None


def _at(rows: list[Row], kind: str, n: int, column: str) -> Row | None:
    first = _course(rows, kind)
    found = _of(rows, kind, first["Foot"])[n : n + 1] if first else []
    return _with(found[0], column) if found else None


def _before(row: Row | None, day: str) -> Row | None:
    return row if row and row["Visit date"] < day else None


def _born_before(row: Row | None, rows: list[Row], most_days: int) -> Row | None:
    """Return the row if the child was at most so old there."""
    born = rows[0]["Date of birth"]
    return row if row and born and days_between(born, row["Visit date"]) < most_days else None


def _same_day_start(rows: list[Row]) -> Row | None:
    cast = _course(rows, "Cast")
    single = {row["Foot"] for row in rows} == {rows[0]["Foot"]}
    return cast if cast and single and rows[0]["Visit date"] == cast["Visit date"] else None


def _plant_soft_rows(register: Register) -> list[Fault]:
    """Plant soft faults that are rows of their own."""
    cut = register.find(lambda rows: _course(rows, "Tenot"))
    again = _blank(cut, **{"Visit type": "Tenot", "Visit date": shift(cut["Visit date"], 10)})
    seen = register.find(lambda rows: _at(rows, "Brace", 2, "Brace use"))
    next_day = seen | {"Visit date": shift(seen["Visit date"], 1)}
    wide = register.find(lambda rows: _at(rows, "Brace", 2, "Brace use"))
    bent = _blank(wide, **{"Visit date": shift(wide["Visit date"], 10), "Abduction": "170"})
    vague = _extra(register, lambda _: {"Dorsiflexion": "15-20?"})
    young = register.find(lambda rows: _born_before(_at(rows, "Brace", 4, "Brace use"), rows, 700))
    operated = _blank(
        young,
        **{"Visit date": shift(young["Visit date"], 10), "Visit type": "Op",
           "Operation": "Transfer"},
    )  # fmt: skip
    base = register.find(lambda rows: _before(_quiet_review(rows), "2026-04-01"))
    noted = _blank(base, **{"Visit date": shift(base["Visit date"], 10), "Relapse": "Y"})
    return [
        Fault("tenotomy_twice", "R16", "kept", "second tenotomy ten days after the first",
              register.insert_after(cut, again)),
        Fault("visit_next_day", "R28", "kept", "the same review again on the next day",
              register.insert_after(seen, next_day)),
        Fault("abduction_170", "limits", "kept", "abduction of 170 degrees",
              register.insert_after(wide, bent)),
        Fault("angle_in_words", "unreadable", "kept", "an angle that is no number", vague),
        Fault("transfer_young", "R23", "kept", "tendon transfer before the third year",
              register.insert_after(young, operated)),
        Fault("relapse_untreated", "R22", "kept", "relapse noted, no treatment follows",
              register.insert_after(base, noted)),
    ]  # fmt: skip


def plant_conflict(register: Register) -> list[Fault]:
    """Plant a second row of a child that gives another sex; it is told at the first."""
    first = register.find(lambda rows: rows[0] if rows[0]["Sex"] == "F" and rows[4:] else None)
    register.children[first["Child no"]][2]["Sex"] = "M"
    return [Fault("sex_contradicted", "conflict", "kept", "two rows give two sexes", first)]


def plant(register: Register) -> list[Fault]:
    """Plant all faults of the long export."""
    return [
        *plant_hard(register),
        *plant_merged(register),
        *plant_soft(register),
        *plant_conflict(register),
    ]
