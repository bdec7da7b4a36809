"""Plausibility rules: what each asks of a record, and what happens when it does not hold.

A hard rule sets the record aside; a soft one keeps it with a flag. Rules of scope ``clinic`` are
questions to a clinic, never faults. The words for a clinic stand in ``labels`` under
``check.<code>.what`` and ``check.<code>.todo``.
"""

from __future__ import annotations

from dataclasses import dataclass

SEVERITIES = ("hard", "soft")
SCOPES = ("row", "visit", "foot", "child", "clinic")


@dataclass(frozen=True)
class Check:
    """One rule.

    Parameters
    ----------
    code
        Stable code.
    severity
        "hard" or "soft".
    scope
        What it speaks of; a hard rule of scope "foot" sets all visits of the foot aside.
    columns
        Columns that it needs.
    reason
        Why it is asked.
    """

    code: str
    severity: str
    scope: str
    columns: tuple[str, ...]
    reason: str


#: What reading itself can find.
DOOR_CHECKS = (
    Check("total_row", "hard", "row", (), "a line of totals is no record"),
    Check("repeated_heading", "hard", "row", (), "a page of a register begins with its headings"),
    Check("removed", "hard", "row", (), "its clinic takes the record back"),
    Check("other_resource", "hard", "row", (), "the map reads nothing of this kind of resource"),
    Check("not_done", "hard", "row", (), "what was planned, cancelled or entered in error is none"),
    Check("malformed_line", "hard", "row", (), "a line that is no resource cannot be read"),
    Check("dangling_reference", "hard", "row", (), "a record belongs to a patient of the export"),
    Check("ragged_row", "hard", "row", (), "cells cannot be told apart"),
    Check(
        "missing", "hard", "visit", (), "a record needs its child, foot, day, clinic and purpose"
    ),
    Check("unreadable", "soft", "visit", (), "a text that fits no declared form is not guessed at"),
    Check("limits", "soft", "visit", (), "no foot, journey or count can have this value"),
    Check("conflict", "soft", "child", (), "two rows say different things of the same record"),
)

#: Lines of an export that are no record, and lack nothing.
NO_RECORD = ("total_row", "repeated_heading", "removed", "other_resource", "not_done")

#: What one visit, or the days around it, can show.
VISIT_CHECKS = (
    Check("R01", "hard", "visit", ("birth_on", "visited_on", "purpose", "prior_treatment"),
          "birth, casts, tenotomy and brace come in this order"),
    Check("R02", "hard", "visit", ("visited_on",),
          "no visit lies after the export or before the programme began"),
    Check("R05", "hard", "visit", ("side", "affected"),
          "care is given to a foot: its side is known, and it is affected"),
    Check("R06", "hard", "visit", ("pirani_total", "dimeglio_total"),
          "a score lies on its scale and equals its parts; above 6 it is an older version"),
    Check("R19", "hard", "visit", ("brace_hours",), "a day has 24 hours"),
    Check("R20", "hard", "visit", ("relapse_noted", "visited_on"),
          "before correction there is no relapse, only incomplete correction"),
    Check("R29", "hard", "visit", ("visited_on", "left_on", "why"), "death comes last"),
    Check("R08", "soft", "visit", ("pirani_total", "pirani_midfoot"),
          "a foot is braced when corrected"),
    Check("R09", "soft", "visit", ("pirani_total",),
          "a rise between casts: slipped cast, swapped foot, or another rater"),
    Check("R10", "soft", "visit", ("pirani_midfoot",),
          "tenotomy before the midfoot is corrected risks a rocker-bottom foot"),
    Check("R11", "soft", "visit", ("visited_on",), "casts are changed about weekly"),
    Check("R13", "soft", "visit", ("cast_number", "visited_on"),
          "cast numbers follow each other within a series"),
    Check("R19a", "soft", "visit", ("brace_hours",), "hours do not fit the phase of bracing"),
    Check("R21", "soft", "visit", ("relapse_noted", "birth_on"), "first relapse is rare so late"),
    Check("R22", "soft", "visit", ("relapse_noted", "visited_on"),
          "a relapse and its treatment are both recorded"),
    Check("R23", "soft", "visit", ("procedure", "birth_on"), "tendon transfer is done later"),
    Check("R28", "soft", "visit", ("visited_on", "purpose"),
          "the same visit may have been sent twice"),
)  # fmt: skip

#: What the course of a foot can show.
FOOT_CHECKS = (
    Check("R03", "hard", "foot", ("birth_on", "visited_on"),
          "nobody of this age begins casting in published series"),
    Check("R12", "hard", "foot", ("visited_on", "purpose"), "no series has so many casts"),
    Check("R03a", "soft", "foot", ("birth_on", "visited_on"), "casting rarely begins so late"),
    Check("R03b", "soft", "foot", ("birth_on", "visited_on"),
          "the first two days of life are for assessment"),
    Check("R07", "soft", "foot", ("pirani_total",), "a treated foot scores above a sound one"),
    Check("R12a", "soft", "foot", ("visited_on", "purpose"), "most series end well before"),
    Check("R14", "soft", "foot", ("visited_on", "purpose"),
          "the cast after tenotomy stays about three weeks"),
    Check("R15", "soft", "foot", ("visited_on", "purpose"),
          "a corrected foot without a brace relapses within days"),
    Check("R16", "soft", "foot", ("visited_on", "purpose", "procedure"),
          "one primary tenotomy; another soon after is a duplicate or an incomplete section"),
    Check("R18", "soft", "foot", ("brace_hours", "visited_on", "birth_on"),
          "full time lasts two to four months, and braces end by school age"),
    Check("R31", "soft", "foot", ("purpose", "prior_treatment"),
          "casts come before a tenotomy, here or elsewhere"),
)  # fmt: skip

CHILD_CHECKS = (
    Check("R04", "soft", "child", ("birth_on", "sex"), "one child may have two numbers"),
    Check("R24", "soft", "child", ("visited_on", "purpose"),
          "both feet usually start on the same day"),
    Check("R30", "soft", "child", ("visited_on", "left_on"),
          "not seen for longer than the phase allows, and no departure recorded"),
)  # fmt: skip

CLINIC_CHECKS = (
    Check("R17", "soft", "clinic", ("purpose",), "the share of tenotomies is far from usual"),
    Check("R25", "soft", "clinic", ("side", "sex"), "shares of both feet and of boys are unusual"),
    Check("R26", "soft", "clinic", ("side",), "one side is named far more often than the other"),
    Check("R27", "soft", "clinic", ("pirani_total", "birth_on"),
          "one value is written far more often than others"),
    Check("R32", "soft", "clinic", ("birth_on", "sex", "diagnosis", "pirani_total"),
          "a primary field is often empty"),
)  # fmt: skip

#: R33, the totals before and after merging, is proven by the ledger and stops the run.
CHECKS: dict[str, Check] = {
    check.code: check
    for check in (*DOOR_CHECKS, *VISIT_CHECKS, *FOOT_CHECKS, *CHILD_CHECKS, *CLINIC_CHECKS)
}


@dataclass(frozen=True)
class ClinicWindows:
    """Shares outside which a clinic is asked, and the fewest feet or children for asking.

    The shares are those seen in published series (tenotomy 22-94 in 100, both feet about half,
    boys to girls about 2 to 1), widened by common practice so that only the odd one is asked.
    """

    tenotomy_share: tuple[float, float] = (0.40, 0.98)
    tenotomy_fewest: int = 20
    bilateral_share: tuple[float, float] = (0.25, 0.75)
    boys_to_girls: tuple[float, float] = (1.2, 3.5)
    right_to_left: tuple[float, float] = (0.5, 2.0)
    one_score_share: float = 0.30
    round_birthday_share: float = 0.20
    missing_share: float = 0.10
    fewest: int = 30
