"""The canonical tables: every column with its kind, unit, allowed values and meaning."""

from __future__ import annotations

from dataclasses import dataclass

from analytics.definitions.codes import VOCABULARIES

#: Kind of a column to its nullable pandas type. A missing value must never become "no".
DTYPES: dict[str, str] = {
    "text": "string",
    "code": "string",
    "flag": "boolean",
    "date": "datetime64[s]",
    "number": "Float64",
    "integer": "Int64",
}


@dataclass(frozen=True)
class Column:
    """One column of a canonical table.

    Parameters
    ----------
    name
        Column name, snake_case.
    kind
        One of ``DTYPES``.
    meaning
        What it says, in one sentence.
    unit
        Unit of a number; empty for others.
    vocabulary
        Name of the vocabulary of a coded column.
    limits
        Lowest and highest value that can be true at all (both allowed).
    step
        Values are multiples of this step, where a score demands it.
    required
        Whether a record without it cannot be used.
    """

    name: str
    kind: str
    meaning: str
    unit: str = ""
    vocabulary: str = ""
    limits: tuple[float, float] | None = None
    step: float | None = None
    required: bool = False

    @property
    def allowed(self) -> tuple[str, ...]:
        """Return the allowed codes of a coded column, else nothing."""
        return VOCABULARIES[self.vocabulary] if self.vocabulary else ()

    @property
    def dtype(self) -> str:
        """Return the nullable pandas type."""
        return DTYPES[self.kind]


def _sign(name: str, meaning: str) -> Column:
    return Column(name, "number", meaning, unit="points", limits=(0, 1), step=0.5)


def _point(name: str, meaning: str, highest: int = 4) -> Column:
    return Column(name, "integer", meaning, unit="points", limits=(0, highest), step=1)


def _flag(name: str, meaning: str) -> Column:
    return Column(name, "flag", meaning)


CLINICS = (
    Column("clinic", "text", "Code of the clinic.", required=True),
    Column("name", "text", "Name of the clinic."),
    Column("country", "text", "Country, ISO 3166-1 alpha-2."),
    Column("opened_on", "date", "Day on which the clinic began to treat."),
    Column("closed_on", "date", "Day on which it ceased to treat."),
    Column("formerly", "text", "Codes under which exports named it before, with semicolons."),
    Column("annual_live_births", "integer", "Live births a year in the catchment.", unit="births"),
)

CHILDREN = (
    Column("child", "text", "Keyed pseudonym of the child.", required=True),
    Column("clinic", "text", "Clinic where the child was first seen.", required=True),
    Column("sex", "code", "Sex as recorded.", vocabulary="sex"),
    Column("birth_on", "date", "Date of birth."),
    Column("birth_precision", "code", "How exact it is.", vocabulary="precision"),
    Column("enrolled_on", "date", "Day of first contact with the network."),
    Column("diagnosis", "code", "Cause of the deformity.", vocabulary="diagnosis"),
    Column("prior_treatment", "code", "Treatment elsewhere before.", vocabulary="prior_treatment"),
    Column("family_history", "code", "Clubfoot in a close relative.", vocabulary="yes_no"),
    Column("travel_minutes", "number", "Travel to clinic, one way.", "minutes", limits=(0, 2880)),
)

FEET = (
    Column("child", "text", "Keyed pseudonym of the child.", required=True),
    Column("side", "code", "Which foot.", vocabulary="side", required=True),
    Column("affected", "flag", "Whether this foot has clubfoot."),
    Column("atypical", "code", "Short, stiff foot with a deep sole crease.", vocabulary="yes_no"),
)

PIRANI_MIDFOOT_SIGNS = ("curved_lateral_border", "medial_crease", "talar_head")
PIRANI_HINDFOOT_SIGNS = ("posterior_crease", "empty_heel", "rigid_equinus")
DIMEGLIO_PARTS = ("dim_equinus", "dim_varus", "dim_derotation", "dim_adduction")
DIMEGLIO_EXTRAS = ("dim_posterior_crease", "dim_medial_crease", "dim_cavus", "dim_muscle")

VISITS = (
    Column("child", "text", "Keyed pseudonym of the child.", required=True),
    Column("side", "code", "Which foot.", vocabulary="side", required=True),
    Column("clinic", "text", "Clinic of this visit.", required=True),
    Column("visited_on", "date", "Day of the visit.", required=True),
    Column("purpose", "code", "Why the foot was seen.", vocabulary="purpose", required=True),
    Column("cast_number", "integer", "Number of the cast as recorded.", limits=(0, 60), step=1),
    *(_sign(name, "Sign of the midfoot, Pirani.") for name in PIRANI_MIDFOOT_SIGNS),
    *(_sign(name, "Sign of the hindfoot, Pirani.") for name in PIRANI_HINDFOOT_SIGNS),
    Column("pirani_midfoot", "number", "Midfoot part, Pirani.", "points", limits=(0, 3), step=0.5),
    Column("pirani_hindfoot", "number", "Hindfoot part, Pirani.", "points", "", (0, 3), 0.5),
    Column("pirani_total", "number", "Total, Pirani.", "points", limits=(0, 6), step=0.5),
    *(_point(name, "Parameter, Dimeglio.") for name in DIMEGLIO_PARTS),
    *(_point(name, "Extra point, Dimeglio.", 1) for name in DIMEGLIO_EXTRAS),
    Column("dimeglio_total", "integer", "Total, Dimeglio.", "points", limits=(0, 20), step=1),
    Column("abduction_deg", "number", "Abduction of the foot.", "degrees", limits=(-90, 100)),
    Column("dorsiflexion_deg", "number", "Dorsiflexion; equinus is negative.", "degrees", "",
           (-90, 60)),
    Column("brace_hours", "number", "Hours of brace a day, as told.", "hours", limits=(0, 24)),
    Column("brace_use", "code", "Use of the brace, as told.", vocabulary="brace_use"),
    Column("relapse_noted", "flag", "Whether relapse was noted."),
    *(_flag(f"relapse_{part}", f"Relapse shows as {part}.")
      for part in ("equinus", "varus", "adductus", "cavus")),
    Column("complication", "code", "Complication noted.", vocabulary="complication"),
    Column("procedure", "code", "Procedure done.", vocabulary="procedure"),
    Column("corrected_noted", "flag", "Whether the foot was recorded as corrected."),
    Column("cast_replaced", "flag", "Whether the cast replaces one that slipped or broke."),
    _flag("plantigrade", "Foot flat on the ground."),
    _flag("ordinary_shoe", "Foot fits an ordinary shoe."),
    _flag("pain", "Foot hurts."),
    _flag("caregiver_satisfied", "Caregiver is satisfied."),
)  # fmt: skip

DEPARTURES = (
    Column("child", "text", "Keyed pseudonym of the child.", required=True),
    Column("left_on", "date", "Day on which follow-up ended.", required=True),
    Column("why", "code", "Why follow-up ended.", vocabulary="departure", required=True),
)

TABLES: dict[str, tuple[Column, ...]] = {
    "clinics": CLINICS,
    "children": CHILDREN,
    "feet": FEET,
    "visits": VISITS,
    "departures": DEPARTURES,
}

#: What makes a record of a table the same record.
KEYS: dict[str, tuple[str, ...]] = {
    "clinics": ("clinic",),
    "children": ("child",),
    "feet": ("child", "side"),
    "visits": ("child", "side", "visited_on", "purpose"),
    "departures": ("child",),
}

#: Columns that a researcher carries along begin with this; they are kept as text.
EXTRA_PREFIX = "extra_"


def column(table: str, name: str) -> Column:
    """Return one declared column; raises ``KeyError`` when the table has none of that name."""
    return {c.name: c for c in TABLES[table]}[name]
