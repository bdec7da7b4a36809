"""The wide export: French, one row per child, groups of columns for each cast and control."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path

import numpy as np
import pandas as pd
import xlsxwriter

from synthetic_data.dimeglio import EXTRAS, PARTS
from synthetic_data.people import as_dates

FILE = "registre_enfants.xlsx"
SHEET = "Enfants"
HEADER_LINE = 3
SIDES = {"left": "G", "right": "D"}

CHILD = {
    "id": "Dossier", "name": "Nom de l'enfant", "phone": "Téléphone", "clinic": "Centre",
    "sex": "Sexe", "birth_on": "Date de naissance", "enrolled_on": "Inscription",
    "diagnosis": "Étiologie", "prior_treatment": "Traitement antérieur",
    "family_history": "Antécédents familiaux", "travel_minutes": "Trajet (min)",
    "side": "Côté atteint",
}  # fmt: skip
ENDING = {"left_on": "Date de sortie", "why": "Motif de sortie"}

_SIGNS = {
    "curved_lateral_border": "bord latéral", "medial_crease": "pli médial",
    "talar_head": "tête du talus", "posterior_crease": "pli postérieur",
    "empty_heel": "talon vide", "rigid_equinus": "équin rigide",
}  # fmt: skip
_SCORES = {"pirani_midfoot": "médio-pied", "pirani_hindfoot": "arrière-pied",
           "pirani_total": "Pirani"}  # fmt: skip
_ANGLES = {"abduction_deg": "abduction", "dorsiflexion_deg": "flexion dorsale"}
_BRACE = {"brace_use": "port", "brace_hours": "heures"}
_RELAPSE = {"relapse_noted": "récidive", "relapse_equinus": "réc. équin",
            "relapse_varus": "réc. varus", "relapse_adductus": "réc. adductus",
            "relapse_cavus": "réc. cavus"}  # fmt: skip
_DIMEGLIO = {name: f"Dim. {i}" for i, name in enumerate((*PARTS, *EXTRAS), start=1)}

#: How often the sheet repeats each group that is numbered.
REPEATS = {"cast": 14, "brace": 20, "recast": 4, "review": 10}

#: Group: first words of its headings, its purpose, its columns. ``{n}`` numbers what is repeated.
GROUPS: dict[str, tuple[str, str, dict[str, str]]] = {
    "start": ("Bilan", "assessment",
              {**_SIGNS, **_SCORES, **_DIMEGLIO, "dimeglio_total": "Dimeglio", **_ANGLES}),
    "cast": ("Plâtre {n}", "cast",
             {**_SCORES, **_ANGLES, "complication": "compl.", "cast_replaced": "remplacé"}),
    "tenotomy": ("Ténotomie", "tenotomy", {**_SCORES, **_ANGLES, "complication": "compl."}),
    "fitting": ("Attelle", "brace_fitting",
                {**_SCORES, **_ANGLES, "corrected_noted": "corrigé"}),
    "brace": ("Contrôle {n}", "brace_review",
              {**_BRACE, "pirani_total": "Pirani", "dorsiflexion_deg": "flexion dorsale",
               **_RELAPSE, "complication": "compl."}),
    "final": ("Contrôle final", "brace_review",
              {**_BRACE, "pirani_total": "Pirani", "relapse_noted": "récidive",
               "plantigrade": "pied à plat", "ordinary_shoe": "chaussure ordinaire",
               "pain": "douleur", "caregiver_satisfied": "famille satisfaite"}),
    "recast": ("Reprise plâtre {n}", "cast", {"complication": "compl."}),
    "operation": ("Opération", "procedure", {"procedure": "nature"}),
    "refitting": ("Attelle reprise", "brace_fitting", {**_SCORES, **_ANGLES}),
    "review": ("Revue {n}", "review", {**_SCORES, **_ANGLES}),
}  # fmt: skip

_GROUP_OF_STAGE = {
    "start": "start", "cast": "cast", "last_cast": "cast", "tenotomy": "tenotomy",
    "fitting": "fitting", "brace": "brace", "relapse": "brace", "recast": "recast",
    "transfer": "operation", "tenotomy_again": "operation", "release": "operation",
    "refitting": "refitting", "failed": "review", "after_failure": "review",
}  # fmt: skip

CODES = {
    "sex": {"female": "F", "male": "G"},
    "diagnosis": {"idiopathic": "idiopathique", "syndromic": "syndromique",
                  "neurogenic": "neurologique", "unknown": "inconnue"},
    "prior_treatment": {"none": "aucun", "casts": "plâtres", "tenotomy": "ténotomie",
                        "surgery": "chirurgie", "unknown": "inconnu"},
    "side": {"left": "G", "right": "D", "both": "GD"},
    "brace_use": {"as_advised": "bon", "partly": "partiel", "not": "nul"},
    "complication": {"none": "aucune", "cast_slippage": "glissement", "skin_lesion": "peau",
                     "swelling": "oedème", "bleeding": "saignement"},
    "procedure": {"tenotomy": "ténotomie", "tendon_transfer": "transfert",
                  "posteromedial_release": "libération"},
    "why": {"completed": "terminé", "moved_away": "déménagement", "died": "décès",
            "declined": "refus"},
}  # fmt: skip
YES_NO = {"yes": "oui", "no": "non"}


def heading(group: str, column: str, *, side: str, n: int = 0) -> str:
    """Return the heading of one column of a group, with ``side`` as G, D or ``{side}``."""
    words, _, columns = GROUPS[group]
    name = "date" if column == "visited_on" else columns[column]
    return f"{words.replace('{n}', str(n))} {name} {side}"


def _text(column: str, value: object) -> str:
    if value is None or value == "":
        return ""
    if column in CODES:
        return CODES[column][str(value)]
    if column.endswith("_on"):
        return "/".join(reversed(str(value).split("-")))
    if isinstance(value, str):
        return YES_NO.get(value, value)
    return "" if pd.isna(value) else f"{float(value) + 0.0:g}".replace(".", ",")


def _place(lines: pd.DataFrame) -> pd.DataFrame:
    """Return the lines with the group and the number in it."""
    group = lines["stage"].map(_GROUP_OF_STAGE).where(~lines["ends"], "final")
    lines = lines.assign(group=group)
    number = lines.groupby(["foot", "group"]).cumcount() + 1
    return lines.assign(n=np.where(lines["group"] == "cast", lines["number"], number))


def write_rows(
    lines: pd.DataFrame, children: pd.DataFrame, feet: pd.DataFrame
) -> list[dict[str, str]]:
    """Return the rows of the register as texts by heading, sorted by centre and file number."""
    wide = children["export"].eq("wide")
    sides = feet.groupby("child")["side"].agg(lambda s: "both" if len(s) == 2 else s.iloc[0])
    people = children[wide].assign(side=sides[wide[wide].index])
    rows = {}
    for number, person in people.sort_values(["clinic", "id"]).iterrows():
        both = {**CHILD, **ENDING}
        rows[number] = {head: _text(column, person[column]) for column, head in both.items()}
    for number, side, atypical in feet[["child", "side", "atypical"]].itertuples(index=False):
        if number in rows:
            rows[number][f"Atypique {SIDES[side]}"] = _text("atypical", atypical)
    lines = _place(lines[wide.to_numpy()[lines["child"]]])
    side = feet["side"].map(SIDES).to_numpy()[lines["foot"]]
    day = as_dates(lines["day"].to_numpy())
    records = lines.to_dict("records")
    for record, mark, on in zip(records, side, day, strict=True):
        group, row = record["group"], rows[record["child"]]
        row[heading(group, "visited_on", side=mark, n=record["n"])] = _text("visited_on", on)
        for column in GROUPS[group][2]:
            text = _text(column, record[column])
            if text:
                row[heading(group, column, side=mark, n=record["n"])] = text
    return list(rows.values())


def headings() -> list[str]:
    """Return all headings in the order of the sheet."""
    names = [*CHILD.values(), "Atypique G", "Atypique D"]
    for group, (_, _, columns) in GROUPS.items():
        for n in range(1, REPEATS.get(group, 1) + 1):
            for mark in SIDES.values():
                names += [heading(group, c, side=mark, n=n) for c in ("visited_on", *columns)]
    return [*names, *ENDING.values(), "Observations"]


def save(rows: list[dict[str, str]], folder: Path) -> None:
    """Write the rows as a workbook of texts; titles above, headings on line 3."""
    book = xlsxwriter.Workbook(folder / FILE, {"strings_to_numbers": False,
                                               "strings_to_formulas": False})  # fmt: skip
    book.set_properties({"created": datetime(2026, 10, 1), "title": "Registre"})
    sheet = book.add_worksheet(SHEET)
    sheet.write_string(0, 0, "Registre des enfants suivis - centres de l'ouest")
    sheet.write_string(1, 0, "Extrait du 30/09/2026")
    place = {name: i for i, name in enumerate(headings())}
    for name, column in place.items():
        sheet.write_string(HEADER_LINE - 1, column, name)
    for line, row in enumerate(rows, start=HEADER_LINE):
        for name, text in row.items():
            if text:
                sheet.write_string(line, place[name], text)
    book.close()
