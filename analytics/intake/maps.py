"""Source maps: how one exporter writes its records, as a plain TOML file.

A map says everything that reading needs, so nothing is guessed. Two shapes are known.
``shape = "long"`` is one row per visit, or per visit and foot::

    name = "north-register"
    shape = "long"
    missing = ["", "NA", "n/a", "-"]
    drop = ["Guardian phone"]                    # direct identifiers: never stored
    ignore = ["Comments", "Entered *"]           # known, and not used; * is any text

    [file]
    encoding = "utf-8"
    delimiter = ","
    header_line = 1

    [child]
    id = ["Reg no"]                 # keyed; several headings are joined
    scope = "network"               # "clinic": numbers are only unique within a clinic
    link = ["Child name"]           # keyed to find one child under two numbers, never stored

    [columns.children]
    sex = "Sex"
    birth_on = "Date of birth"
    diagnosis = "Diagnosis"
    extra_district = "District"     # carried along as text

    [columns.visits]
    side = "Foot"
    clinic = "Clinic"
    visited_on = "Visit date"
    purpose = "Visit type"
    pirani_total = "Pirani"

    [columns.departures]
    left_on = "Exit date"
    why = "Exit reason"

    [dates]
    formats = ["YYYY-MM-DD", "DD/MM/YYYY"]       # the first that fits is taken

    [dates.columns]
    "children.birth_on" = ["YYYY-MM-DD", "YYYY-MM"]

    [numbers]
    decimal = "."

    [codes.side]                    # canonical code = texts in the export, case ignored
    left = ["L", "Lt"]
    right = ["R", "Rt"]
    both = ["B"]                    # the row is split into two feet

    [codes.purpose]
    cast = ["Cast change"]
    brace_fitting = ["Brace given"]

    [codes.flag]                    # every yes-or-no column of kind flag
    yes = ["Y", "1"]
    no = ["N", "0"]

    [codes."visits.brace_use"]      # one column alone; goes before its vocabulary
    as_advised = ["good"]
    missing = ["not asked"]

    [codes.clinic]                  # spellings of clinics
    N01 = ["Northgate", "North Gate clinic"]

A heading of ``[columns.visits]`` may hold ``{side}``: left and right as columns of one row.
``shape = "wide"`` is one row per child with repeated groups of columns::

    name = "registre-sud"
    shape = "wide"
    missing = ["", "ND"]
    drop = ["Nom", "Telephone"]

    [file]
    sheet = "Enfants"
    header_line = 3

    [child]
    id = ["Dossier"]
    scope = "clinic"

    [columns.children]
    clinic = "Centre"
    sex = "Sexe"
    birth_on = "Date de naissance"

    [columns.feet]
    side = "Cote"                   # which feet are affected: left, right or both
    atypical = "Atypique {side}"

    [sides]                         # what {side} stands for in a heading
    left = "G"
    right = "D"

    [[groups]]
    name = "cast"
    first = 1
    last = 12                       # {n} runs from first to last
    [groups.constants]
    purpose = "cast"
    cast_number = "{n}"
    [groups.columns]
    visited_on = "Platre {n} date"  # without {side}: holds for both feet
    pirani_total = "Platre {n} Pirani {side}"

    [[groups]]
    name = "tenotomy"
    [groups.constants]
    purpose = "tenotomy"
    [groups.columns]
    side = "Tenotomie cote"         # goes before the child's side
    visited_on = "Tenotomie date"

    [dates]
    formats = ["DD/MM/YYYY"]

    [numbers]
    decimal = ","

    [codes.side]
    left = ["G"]
    right = ["D"]
    both = ["GD", "bilateral"]

A group gives a visit of a foot when any of its cells for that foot is filled, and the foot is
named by ``side`` or by a cell of its own. Dates that a spreadsheet stores as dates need no format;
a time after a date is left out. A canonical code is understood without being listed.
A fraction may be written with either separator unless three digits follow it; scores may be sums
("2+2.5"), halves ("3½") or "4.5/6".

Where there is no birth date, ``[columns.children]`` may name an ``age``, in any unit::

    [ages]
    at = "children.enrolled_on"     # the day on which it was told; long maps: visits.visited_on
    unit = "months"                 # of a number that stands alone

``shape = "fhir"`` is a Bulk Data export of FHIR R4 in NDJSON: a file, a folder or a zip archive of
Patient, Encounter, Procedure and Observation. Headings are paths (``intake.fhir_paths``), codes are
"system|code", and a group reads one kind of procedure or observation::

    name = "bulk-data"
    shape = "fhir"

    [child]
    id = ["Patient.identifier[system=http://example.org/numbers].value"]

    [columns.children]
    birth_on = "Patient.birthDate"

    [[groups]]
    name = "cast"
    resource = "Procedure[code=http://example.org/foot|cast]"  # of paths that begin with .
    [groups.constants]
    purpose = "cast"
    [groups.columns]
    side = ".bodySite"
    visited_on = ".performedDateTime"
    clinic = ".encounter.resolve().serviceProvider"

    [codes.side]
    left = ["http://snomed.info/sct|22335008"]
    right = ["http://snomed.info/sct|7769000"]
    both = ["http://snomed.info/sct|22335008 + http://snomed.info/sct|7769000"]

    [codes.clinic]
    N01 = ["Organization/north"]

Further keys under ``[file]``: ``header_lines`` (headings of several lines, as under merged cells),
``number_doubled`` (a heading over several columns), ``member`` (a file inside a zip archive),
``total_rows`` (first cell of lines that are no records). Under ``[dates]``: ``placeholders``,
``two_digit_years_from`` and ``serials``. Then ``[missing_in]``, ``unmapped_codes`` and
``listed_feet_are_affected``; ``intake.map_types`` tells what each means.
"""

from __future__ import annotations

import hashlib
import tomllib
from pathlib import Path

from analytics.errors import SourceMapError
from analytics.intake.map_parse import parse_map
from analytics.intake.map_types import SourceMap

__all__ = ["SourceMap", "parse_map", "read_map"]


def read_map(path: Path | str) -> SourceMap:
    """Return the source map of a TOML file.

    Raises
    ------
    SourceMapError
        When the file is missing, is not TOML, or holds a key or value that is not allowed.
    """
    path = Path(path)
    try:
        content = path.read_bytes()
        tree = tomllib.loads(content.decode("utf-8-sig"))
    except OSError as error:
        raise SourceMapError(
            f"the source map '{path.name}' cannot be opened",
            where=str(path),
            todo="check the path in the settings",
        ) from error
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        raise SourceMapError(
            f"the source map '{path.name}' is not valid TOML: {error}",
            where=path.name,
            todo="correct the line named above",
        ) from error
    return parse_map(tree, where=path.name, sha256=hashlib.sha256(content).hexdigest())
