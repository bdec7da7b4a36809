"""Words, dates and fractions as registers in three languages write them.

The words are a matter of common practice in each language.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass


@dataclass(frozen=True)
class Tongue:
    """How a register in one language writes: heads, codes, dates and fractions."""

    heads: Mapping[str, str]
    codes: Mapping[str, str]
    date: str
    decimal: str

    def head(self, name: str) -> str:
        return self.heads.get(name, f"{self.heads['other']} {name}")

    def code(self, name: str) -> str:
        return self.codes.get(name, name)

    @property
    def layout(self) -> str:
        return self.date.replace("%Y", "YYYY").replace("%m", "MM").replace("%d", "DD")

    @property
    def month(self) -> str:
        """How a birth date of which only the month is known is written."""
        return self.date.replace("%d/", "").replace("%d-", "").replace("-%d", "")


ENGLISH = Tongue(
    heads={
        "other": "Finding",
        "clinic_of_child": "First clinic",
        "child": "Registration number",
        "clinic": "Clinic",
        "side": "Foot",
    }
    | {"visited_on": "Date of visit", "purpose": "Reason", "pirani_total": "Pirani", "sex": "Sex"},
    codes={"left": "L", "right": "R", "female": "F", "male": "M", "yes": "Y", "no": "N"}
    | {"brace_fitting": "brace given", "not": "not worn", "as_advised": "well worn"},
    date="%Y-%m-%d",
    decimal=".",
)
FRENCH = Tongue(
    heads={
        "other": "Constat",
        "clinic_of_child": "Premier centre",
        "child": "Dossier",
        "clinic": "Centre",
        "side": "Côté",
    }
    | {"visited_on": "Date du contrôle", "purpose": "Motif", "pirani_total": "Score de Pirani"}
    | {"sex": "Sexe", "birth_on": "Né(e) le", "left_on": "Sorti(e) le", "why": "Cause de sortie"},
    codes={
        "left": "G",
        "right": "D",
        "both": "les deux",
        "female": "fille",
        "male": "garçon",
        "yes": "oui",
    }
    | {"no": "non", "unknown": "inconnu", "none": "aucun", "assessment": "bilan"}
    | {"cast": "plâtre", "tenotomy": "ténotomie", "brace_fitting": "pose d'attelle"}
    | {"brace_review": "contrôle d'attelle", "procedure": "opération", "review": "revue"}
    | {"idiopathic": "idiopathique", "completed": "terminé", "died": "décès", "declined": "refus"}
    | {"casts": "plâtres", "surgery": "chirurgie", "as_advised": "bien portée", "not": "non portée"}
    | {"partly": "portée en partie", "skin_lesion": "lésion de la peau", "swelling": "œdème"},
    date="%d/%m/%Y",
    decimal=",",
)
SPANISH = Tongue(
    heads={
        "other": "Hallazgo",
        "clinic_of_child": "Primer centro",
        "child": "Expediente",
        "clinic": "Centro",
        "side": "Lado",
    }
    | {"visited_on": "Fecha", "purpose": "Motivo", "pirani_total": "Pirani total", "sex": "Sexo"}
    | {"birth_on": "Fecha de nacimiento", "left_on": "Fecha de salida", "why": "Causa de salida"},
    codes={"left": "izquierdo", "right": "derecho", "female": "niña", "male": "niño", "yes": "sí"}
    | {"none": "ninguno", "unknown": "desconocido", "assessment": "evaluación", "cast": "yeso"}
    | {"tenotomy": "tenotomía", "brace_fitting": "entrega de férula", "review": "revisión"}
    | {"brace_review": "control de férula", "procedure": "operación", "idiopathic": "idiopático"}
    | {"completed": "terminado", "died": "fallecido", "declined": "rechazo", "casts": "yesos"}
    | {"surgery": "cirugía", "as_advised": "bien usada", "partly": "en parte", "not": "sin usar"},
    date="%d-%m-%Y",
    decimal=",",
)
