"""FHIR R4 resources as rows: paths, codes, references, and what is no record.

The forms tested are those of HL7 FHIR R4 (4.0.1): nd-json (one resource a line), search tokens
("system|code"), dateTime with its offset, and the states of Encounter, Procedure and Observation.
"""

import json
import zipfile
from datetime import date
from pathlib import Path

import pytest
from intake_tables import KEY

from analytics.errors import ExportFileError, SourceMapError
from analytics.intake.draft import draft_map
from analytics.intake.fhir import read_resources
from analytics.intake.fhir_paths import find_text, parse_path
from analytics.intake.load import Programme, load
from analytics.intake.map_parse import parse_map
from analytics.intake.maps import read_map

CASE = Path(__file__).parents[1] / "exports" / "fhir_bulk_data"
FOOT = "http://example.org/foot"


def reasons(sheet):
    return [None if code < 0 else sheet.aside.categories[code] for code in sheet.aside.codes]


def coded(*codes, system=FOOT):
    return {"coding": [{"system": system, "code": code} for code in codes]}


OBSERVATION = {
    "resourceType": "Observation",
    "id": "o1",
    "code": coded("pirani"),
    "encounter": {"reference": "Encounter/e1"},
    "effectiveDateTime": "2024-03-05T23:30:00-05:00",
    "valueQuantity": {"value": "4.50", "system": "http://unitsofmeasure.org", "code": "1"},
    "bodySite": {"coding": [{"code": "L"}]},
    "valueBoolean": True,
    "component": [
        {"code": coded("left"), "valueQuantity": {"value": "5"}},
        {"code": coded("right", "other"), "valueQuantity": {"value": "6"}},
    ],
}
ENCOUNTER = {
    "resourceType": "Encounter",
    "id": "e1",
    "type": [coded("b"), coded("a")],
    "serviceProvider": {"reference": "Organization/north"},
}


@pytest.mark.parametrize(
    "path, text",
    [
        ("Observation.valueQuantity.value", "4.50"),
        ("Observation.valueQuantity", "4.50"),
        ("Observation.effectiveDateTime", "2024-03-05"),
        ("Observation.bodySite", "|L"),
        ("Observation.valueBoolean", "true"),
        ("Observation.status", ""),
        ("Observation.component.valueQuantity.value", "5 + 6"),
        (f"Observation.component[code={FOOT}|left].valueQuantity.value", "5"),
        (f"Observation.component[code={FOOT}|other].valueQuantity.value", "6"),
        (f"Observation.component[code={FOOT}|neither].valueQuantity.value", ""),
        (f"Observation[code={FOOT}|pirani].valueQuantity.value", "4.50"),
        (f"Observation[code={FOOT}|dimeglio].valueQuantity.value", ""),
        ("Observation.encounter", "Encounter/e1"),
        ("Observation.encounter.resolve().type", f"{FOOT}|a + {FOOT}|b"),
        ("Observation.encounter.resolve().serviceProvider", "Organization/north"),
        ("Encounter.type", ""),
    ],
)
def test_a_path_finds_what_stands_there(path, text):
    known = {"Encounter/e1": ENCOUNTER}
    assert find_text(OBSERVATION, parse_path(path), known.get) == text


@pytest.mark.parametrize(
    "path, says",
    [
        ("Observation", "no path into a resource"),
        ("Observation.", "no path into a resource"),
        ("Observation.component[code].value", "no path into a resource"),
        ("Medication.code", "FHIR R4 has no 'Medication'"),
        ("Procedure.performedDatetime", "did you mean 'performedDateTime'"),
        ("Patient.birthdate.x", "did you mean 'birthDate'"),
    ],
)
def test_a_path_that_leads_nowhere_is_told_before_any_export_is_read(path, says):
    with pytest.raises(SourceMapError) as caught:
        parse_path(path)
    assert says in str(caught.value)


def tree(**changes):
    return {
        "name": "fhir",
        "shape": "fhir",
        "child": {"id": ["Patient.id"]},
        "columns": {"children": {"sex": "Patient.gender"}},
        "groups": [
            {
                "name": "cast",
                "resource": "Procedure",
                "constants": {"purpose": "cast", "clinic": "N", "side": "left"},
                "columns": {"visited_on": ".performedDateTime"},
            }
        ],
    } | changes


@pytest.mark.parametrize(
    "changes, says",
    [
        ({"columns": {"children": {"extra_home": "Patient.address.text"}}}, "describes a person"),
        ({"columns": {"children": {"extra_n": "Patient.identifier.value"}}}, "describes a person"),
        ({"columns": {"children": {"sex": "Observation.valueString"}}}, "stands under children"),
        ({"child": {"id": ["Encounter.subject"]}}, "path of a child"),
    ],
)
def test_no_path_of_a_map_keeps_what_names_a_person(changes, says):
    with pytest.raises(SourceMapError) as caught:
        parse_map(tree(**changes), where="fhir.toml")
    assert says in str(caught.value)


def load_case(path):
    return load([(path, read_map(CASE / "map.toml"))], key=KEY,
                programme=Programme(date(2024, 4, 10)))  # fmt: skip


def test_a_zip_archive_and_one_mixed_file_give_the_records_of_the_folder(tmp_path):
    folder = CASE / "export"
    with zipfile.ZipFile(tmp_path / "export.zip", "w") as archive:
        for file in folder.iterdir():
            archive.write(file, f"bulk/{file.name}")
    names = ("Procedure", "mixed", "Encounter", "Patient")
    text = "".join((folder / f"{name}.ndjson").read_text() for name in names)
    (tmp_path / "all.ndjson").write_text("\ufeff" + text.replace("\n", "\r\n"))
    plain = load_case(folder)
    for path in (tmp_path / "export.zip", tmp_path / "all.ndjson"):
        records = load_case(path)
        for table in ("children", "feet", "departures"):
            assert getattr(records, table).equals(getattr(plain, table))
        visits = records.visits.drop(columns=["file", "line"])
        assert visits.equals(plain.visits.drop(columns=["file", "line"]))
        fates = records.ledger.rows["fate"].value_counts()
        assert fates.sum() == len(plain.ledger.rows)
        assert fates["quarantined"] == plain.ledger.rows["fate"].eq("quarantined").sum()


def test_nothing_that_names_a_person_is_in_the_records():
    records = load_case(CASE / "export")
    tables = [records.children, records.feet, records.visits, records.departures]
    ledger = records.ledger
    books = [ledger.rows, ledger.pieces, ledger.flags, ledger.amendments, ledger.corrections]
    kept = "".join(table.to_csv() for table in (*tables, *books))
    for text in ("Ada", "Lind", "Marsh", "Eva", "700", "Hill", "4711", "Ruiz"):
        assert text not in kept


@pytest.mark.parametrize(
    "line",
    [b"{", b"[]", b'"text"', b'{"id": "1"}', b'{"resourceType": 3}', b"\xff\xfe", b"null",
     b'{"resourceType": "Patient", "id": NaN}', b"[" * 100_000],
)  # fmt: skip
def test_a_line_that_is_no_resource_is_a_row_with_its_fate(tmp_path, line):
    patient = b'{"resourceType": "Patient", "id": "p1"}'
    (tmp_path / "a.ndjson").write_bytes(line + b"\n\n" + patient + b"\n")
    (sheet,) = read_resources(tmp_path / "a.ndjson", ["Patient.id"])
    assert reasons(sheet) == ["malformed_line", None]
    assert sheet.line.tolist() == [1, 3]


@pytest.mark.parametrize(
    "kind, status, aside",
    [
        ("Procedure", "completed", None),
        ("Procedure", "stopped", None),
        ("Procedure", "not-done", "not_done"),
        ("Procedure", "preparation", "not_done"),
        ("Procedure", "entered-in-error", "not_done"),
        ("Observation", "amended", None),
        ("Observation", "cancelled", "not_done"),
        ("Observation", "registered", "not_done"),
        ("Encounter", "finished", None),
        ("Encounter", "planned", "not_done"),
        ("Condition", "", "other_resource"),
    ],
)
def test_only_what_was_done_is_a_record(tmp_path, kind, status, aside):
    lines = [
        {"resourceType": "Patient", "id": "p1"},
        {"resourceType": kind, "status": status, "subject": {"reference": "Patient/p1"}},
    ]
    (tmp_path / "a.ndjson").write_text("\n".join(map(json.dumps, lines)))
    headings = ["Patient.id", "Procedure.status", "Observation.status"]
    (sheet,) = read_resources(tmp_path / "a.ndjson", headings)
    assert reasons(sheet) == [None, aside]


@pytest.mark.parametrize("reference, aside", [
    ("Patient/p1", None),
    ("https://ehr.example.org/fhir/Patient/p1", None),
    ("Patient/p1/_history/3", None),
    ("Patient/p2", "dangling_reference"),
    ("Encounter/p1", "dangling_reference"),
    (None, "dangling_reference"),
])  # fmt: skip
def test_a_record_without_its_patient_is_set_aside(tmp_path, reference, aside):
    lines = [
        {"resourceType": "Patient", "id": "p1"},
        {"resourceType": "Encounter", "subject": {"reference": reference}},
    ]
    (tmp_path / "a.ndjson").write_text("\n".join(map(json.dumps, lines)))
    (sheet,) = read_resources(tmp_path / "a.ndjson", ["Patient.id"])
    assert reasons(sheet) == [None, aside]


@pytest.mark.parametrize("name", ["empty", "broken.zip", "blank.ndjson", "none.ndjson"])
def test_an_export_without_resources_is_one_message(tmp_path, name):
    (tmp_path / "empty").mkdir()
    (tmp_path / "broken.zip").write_bytes(b"no archive")
    (tmp_path / "blank.ndjson").write_bytes(b"\n\n")
    with pytest.raises(ExportFileError) as caught:
        read_resources(tmp_path / name, ["Patient.id"])
    assert caught.value.todo


def test_no_map_is_proposed_and_the_message_says_where_to_begin():
    for path in (CASE / "export", CASE / "export" / "Patient.ndjson"):
        with pytest.raises(ExportFileError, match="no map is proposed") as caught:
            draft_map(path)
        assert (CASE.parents[2] / caught.value.todo.split()[-1]).exists()
