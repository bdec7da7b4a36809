"""The long export: English, one row per visit and foot, the whole network's register in a CSV."""

from __future__ import annotations

import csv
from pathlib import Path

import numpy as np
import pandas as pd

from synthetic_data.people import as_dates
from synthetic_data.scenario import CLINICS

FILE = "register_visits.csv"

#: Heading of each canonical column. The page of a child is written on its first row alone.
CHILD = {
    "id": "Child no", "name": "Child name", "phone": "Caregiver phone", "sex": "Sex",
    "birth_on": "Date of birth", "enrolled_on": "Registered", "diagnosis": "Diagnosis",
    "prior_treatment": "Treated before", "family_history": "Family history",
    "travel_minutes": "Travel minutes",
}  # fmt: skip
VISIT = {
    "clinic": "Clinic", "visited_on": "Visit date", "side": "Foot", "purpose": "Visit type",
    "atypical": "Atypical foot", "cast_number": "Cast no",
    "curved_lateral_border": "Lateral border", "medial_crease": "Medial crease",
    "talar_head": "Talar head", "posterior_crease": "Posterior crease",
    "empty_heel": "Empty heel", "rigid_equinus": "Rigid equinus",
    "pirani_midfoot": "Midfoot", "pirani_hindfoot": "Hindfoot", "pirani_total": "Pirani",
    "abduction_deg": "Abduction", "dorsiflexion_deg": "Dorsiflexion",
    "brace_hours": "Brace hours", "brace_use": "Brace use", "relapse_noted": "Relapse",
    "relapse_equinus": "Rel equinus", "relapse_varus": "Rel varus",
    "relapse_adductus": "Rel adductus", "relapse_cavus": "Rel cavus",
    "complication": "Complication", "procedure": "Operation", "corrected_noted": "Corrected",
    "cast_replaced": "Cast replaced", "plantigrade": "Flat foot",
    "ordinary_shoe": "Ordinary shoe", "pain": "Pain", "caregiver_satisfied": "Satisfied",
}  # fmt: skip
ENDING = {"left_on": "Care ended", "why": "Reason"}
HEADINGS = (*CHILD.values(), *VISIT.values(), *ENDING.values(), "Remarks")

#: How this register writes the canonical codes.
CODES = {
    "sex": {"female": "F", "male": "M"},
    "diagnosis": {"idiopathic": "Idiopathic", "syndromic": "Syndrome", "neurogenic": "Neuro",
                  "unknown": "Not known"},
    "prior_treatment": {"none": "No", "casts": "Casts", "tenotomy": "Tenotomy",
                        "surgery": "Surgery", "unknown": "Not known"},
    "side": {"left": "L", "right": "R"},
    "purpose": {"assessment": "Assess", "cast": "Cast", "tenotomy": "Tenot",
                "brace_fitting": "Fit", "brace_review": "Brace", "procedure": "Op",
                "review": "Review"},
    "brace_use": {"as_advised": "Good", "partly": "Some", "not": "None"},
    "complication": {"none": "0", "cast_slippage": "Slip", "skin_lesion": "Skin",
                     "swelling": "Swelling", "bleeding": "Bleed"},
    "procedure": {"tenotomy": "Repeat tenotomy", "tendon_transfer": "Transfer",
                  "posteromedial_release": "PMR"},
    "why": {"completed": "Completed", "moved_away": "Moved away", "died": "Died",
            "declined": "Declined"},
}  # fmt: skip
YES_NO = {"yes": "Y", "no": "N"}


def _number(value: object) -> str:
    return "" if pd.isna(value) else f"{float(value) + 0.0:g}"


def _text(column: str, value: object) -> str:
    if value is None or value == "":
        return ""
    if column in CODES:
        return CODES[column][str(value)]
    if isinstance(value, str):
        return YES_NO.get(value, value)
    return _number(value)


def write_rows(
    lines: pd.DataFrame, children: pd.DataFrame, feet: pd.DataFrame
) -> list[dict[str, str]]:
    """Return the rows of the register as texts by heading, sorted by child and day."""
    lines = lines[children["export"].eq("long").to_numpy()[lines["child"]]]
    lines = lines.join(children.drop(columns=["clinic", "export"]), on="child")
    lines = lines.join(feet[["side", "atypical"]], on="foot")
    codes = np.array([c.code for c in CLINICS])
    lines = lines.assign(
        clinic=codes[lines["clinic"]],
        visited_on=as_dates(lines["day"].to_numpy()),
        cast_number=np.where(lines["purpose"] == "cast", lines["number"], np.nan),
    )
    lines = lines.sort_values("id", kind="stable")
    first_of_child = ~lines.duplicated("child")
    last_of_child = ~lines.duplicated("child", keep="last")
    first_of_foot = ~lines.duplicated("foot")
    blank = [c for c in CHILD if c != "id"]
    lines[[*blank, *ENDING]] = lines[[*blank, *ENDING]].astype(object)
    lines.loc[~first_of_child, blank] = None
    lines.loc[~first_of_foot, "atypical"] = None
    lines.loc[~last_of_child, list(ENDING)] = None
    columns = {**CHILD, **VISIT, **ENDING}
    texts = {h: [_text(c, v) for v in lines[c]] for c, h in columns.items()}
    texts["Remarks"] = [""] * len(lines)
    return [dict(zip(texts, row, strict=True)) for row in zip(*texts.values(), strict=True)]


def save(rows: list[dict[str, str]], folder: Path) -> None:
    """Write the rows as CSV; the first row stands on line 2.

    A cell under a heading that the register does not have stands at the end of its line.
    """
    with (folder / FILE).open("w", encoding="utf-8", newline="") as file:
        writer = csv.writer(file, lineterminator="\n")
        writer.writerow(HEADINGS)
        for row in rows:
            extra = [text for name, text in row.items() if name not in HEADINGS]
            writer.writerow([*(row[name] for name in HEADINGS), *extra])
