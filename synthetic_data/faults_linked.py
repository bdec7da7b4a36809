"""A child with two numbers: begun in one clinic, then treated in another under a new one."""

from __future__ import annotations

from synthetic_data.long_export import HEADINGS
from synthetic_data.planted import Fault, Register, Row, shift

NUMBER = "S9001"
_SEX = {"F": "F", "G": "M"}


def _iso(day: str) -> str:
    return "-".join(reversed(day.split("/")))


def _moved(rows: list[Row]) -> Row | None:
    """Return the row of a child who was old enough to have been seen elsewhere before."""
    row = rows[0]
    known = row["Date de naissance"] and row["Sexe"] and row["Traitement antérieur"] == "aucun"
    if not known or row["Côté atteint"] == "GD":
        return None
    return row if _iso(row["Date de naissance"]) < shift(_iso(row["Inscription"]), -150) else None


def plant(visits: Register, pages: Register) -> tuple[list[Fault], list[Fault]]:
    """Return the faults of the long and of the wide export."""
    page = pages.find(_moved)
    begun = shift(_iso(page["Inscription"]), -70)
    mark = {"G": "L", "D": "R"}[page["Côté atteint"]]
    blank = dict.fromkeys(HEADINGS, "") | {"Child no": NUMBER, "Clinic": "AMB", "Foot": mark}
    first = blank | {
        "Child name": page["Nom de l'enfant"],
        "Caregiver phone": page["Téléphone"],
        "Sex": _SEX[page["Sexe"]],
        "Date of birth": _iso(page["Date de naissance"]),
        "Registered": begun,
        "Diagnosis": "Idiopathic",
        "Treated before": "No",
        "Visit date": begun,
        "Visit type": "Assess",
        "Midfoot": "2",
        "Hindfoot": "3",
        "Pirani": "5",
    }
    casts = [
        blank | {"Visit date": shift(begun, 7 * n), "Visit type": "Cast", "Cast no": str(n + 1)}
        for n in range(3)
    ]
    visits.rows.extend([first, *casts])
    page["Traitement antérieur"] = "plâtres"
    what = "one child under two numbers, same name, sex and day of birth"
    return (
        [Fault("two_numbers_long", "R04", "kept", what, first)],
        [Fault("two_numbers_wide", "R04", "kept", what, page)],
    )
