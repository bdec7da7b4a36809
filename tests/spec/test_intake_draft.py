"""A map is proposed for an unknown export; what the file cannot settle is asked, not guessed."""

from __future__ import annotations

import csv
import re
import tomllib
from datetime import date
from pathlib import Path

import pytest
from intake_tables import KEY, two_children, write_csv
from typer.testing import CliRunner

from analytics.cli import app
from analytics.errors import ExportFileError, OutputError, SourceMapError
from analytics.intake.draft import draft_map, save_draft
from analytics.intake.draft_values import propose_dates, propose_decimal
from analytics.intake.headings import check_headings
from analytics.intake.load import Programme, load
from analytics.intake.map_parse import parse_map
from analytics.intake.maps import read_map
from analytics.intake.read import read_sheet

DEMO = Path(__file__).parents[2] / "synthetic_data"

#: One visit of a foot in four languages: headings, then the row.
REGISTERS = {
    "en": ("Reg no,Child name,Clinic,Sex,Date of birth,Foot,Visit date,Visit type,Pirani",
           "1,Ama Owusu,N01,F,25/01/2024,L,28/01/2024,Cast,4.5"),
    "fr": ("Dossier,Nom,Clinique,Sexe,Date de naissance,Côté,Date de visite,Type de visite,Pirani",
           '1,Ama Owusu,N01,F,25/01/2024,G,28/01/2024,Plâtre,"4,5"'),
    "es": ("Expediente,Nombre,Clínica,Sexo,Fecha de nacimiento,Lado,Fecha de visita,Tipo de visita"
           ",Puntaje Pirani",
           '1,Ama Owusu,N01,F,25/01/2024,Izq,28/01/2024,Yeso,"4,5"'),
    "pt": ("Prontuário,Nome,Clínica,Sexo,Data de nascimento,Lado,Data da visita,Tipo de visita,"
           "Escore Pirani",
           '1,Ama Owusu,N01,F,25/01/2024,E,28/01/2024,Gesso,"4,5"'),
}  # fmt: skip


def confirmed(text: str) -> dict:
    """Return a draft whose doubts a person has settled by leaving everything as it is."""
    return tomllib.loads(text) | {"doubtful": []}


@pytest.mark.parametrize("language", REGISTERS)
def test_headings_and_codes_are_understood_in_four_languages(language, tmp_path: Path):
    path = tmp_path / "register.csv"
    path.write_text("\n".join(REGISTERS[language]) + "\n", encoding="utf-8")
    tree = tomllib.loads(draft_map(path))
    assert tree["doubtful"] == []
    assert len(tree["drop"]) == 1
    records = load(
        [(path, parse_map(tree, where="draft"))], key=KEY, programme=Programme(date(2024, 6, 1))
    )
    visit = records.visits.iloc[0]
    found = [str(visit[name]) for name in ("side", "purpose", "pirani_total", "clinic")]
    assert found == ["left", "cast", "4.5", "N01"]
    assert records.children["birth_on"].dt.strftime("%Y-%m-%d").tolist() == ["2024-01-25"]


def test_day_or_month_first_is_asked_when_no_date_decides(tmp_path: Path):
    header, row = REGISTERS["en"]
    path = tmp_path / "register.csv"
    path.write_text(f"{header}\n{row.replace('28/01', '02/01')}\n", encoding="utf-8")
    tree = tomllib.loads(draft_map(path))
    assert len(tree["doubtful"]) == 1
    assert "visits.visited_on" in tree["doubtful"][0]
    assert "MM/DD/YYYY" in tree["doubtful"][0]


def test_load_refuses_a_map_until_its_doubts_are_settled(tmp_path: Path):
    path = write_csv(tmp_path / "export.csv", two_children())
    map_path = tmp_path / "draft.toml"
    map_path.write_text(draft_map(path), encoding="utf-8")
    draft = read_map(map_path)
    assert draft.doubtful
    with pytest.raises(SourceMapError, match="doubtful"):
        load([(path, draft)], key=KEY, programme=Programme(date(2024, 6, 1)))


@pytest.mark.parametrize("file", ["register_visits.csv", "registre_enfants.xlsx"])
def test_the_draft_of_a_demo_export_fits_it_and_finds_what_its_map_says(file):
    path = DEMO / "exports" / file
    text = draft_map(path)
    draft = parse_map(confirmed(text), where="draft")
    check_headings(draft, read_sheet(path, draft.file))
    known = read_map(DEMO / "maps" / {"register_visits.csv": "register.toml"}.get(
        file, "registre.toml"))  # fmt: skip
    assert draft.shape == known.shape
    assert draft.file.header_line == known.file.header_line
    assert draft.child.id == known.child.id
    assert set(known.drop) | set(known.child.link) == set(draft.drop)
    assert draft.dates.formats == known.dates.formats
    assert draft.decimal == known.decimal
    wanted = {(t, n): h for t, names in known.columns.items() for n, h in names.items()}
    found = {(t, n): h for t, names in draft.columns.items() for n, h in names.items()}
    right = sum(found.get(key) == heading for key, heading in wanted.items())
    assert right >= 0.9 * len(wanted)
    assert not [key for key, heading in found.items() if wanted.get(key, heading) != heading]


def test_no_value_of_an_identifier_stands_in_a_draft():
    text = draft_map(DEMO / "exports" / "register_visits.csv")
    with (DEMO / "exports" / "register_visits.csv").open(encoding="utf-8") as file:
        rows = [*csv.DictReader(file)]
    for heading in ("Child name", "Caregiver phone", "Child no"):
        values = {row[heading] for row in rows} - {"", None}
        assert len(values) > 1000
        assert not [value for value in values if re.search(rf"\b{re.escape(value)}\b", text)]


def test_semicolons_titles_and_other_encodings_are_found(tmp_path: Path):
    header, row = REGISTERS["fr"]
    lines = ["Registre de la clinique;;;;;;;;", header.replace(",", ";")]
    lines.append(row.replace('"4,5"', "4#5").replace(",", ";").replace("#", ","))
    path = tmp_path / "registre.csv"
    path.write_bytes(("\n".join(lines) + "\n").encode("cp1252"))
    tree = tomllib.loads(draft_map(path))
    assert tree["file"]["delimiter"] == ";"
    assert tree["file"]["header_line"] == 2
    assert tree["file"]["encoding"] == "cp1252"
    assert [doubt.split(":")[0] for doubt in tree["doubtful"]] == [
        "file.encoding", "file.header_line"
    ]  # fmt: skip


def test_what_is_not_understood_is_asked(tmp_path: Path):
    rows = [{"Reg no": "1", "Zzz": "abc", "Visit date": "28/01/2024", "Visit type": "Wax"}]
    path = write_csv(tmp_path / "odd.csv", rows, ("Reg no", "Zzz", "Visit date", "Visit type"))
    doubts = tomllib.loads(draft_map(path))["doubtful"]
    assert "ignore: 'Zzz' is not understood" in doubts
    assert any("'Wax'" in doubt for doubt in doubts)
    assert any("clinic" in doubt for doubt in doubts)
    assert any("side" in doubt for doubt in doubts)


def test_a_file_that_is_not_there_is_one_message(tmp_path: Path):
    with pytest.raises(ExportFileError):
        draft_map(tmp_path / "none.csv")


def test_dates_with_proof_and_without():
    assert propose_dates(["13/01/2024", "02/01/2024"]).formats == ("DD/MM/YYYY",)
    assert not propose_dates(["13/01/2024", "02/01/2024"]).is_doubtful
    assert propose_dates(["01/13/2024", "02/01/2024"]).formats == ("MM/DD/YYYY",)
    assert propose_dates(["01/02/2024"]).is_doubtful
    assert propose_dates(["13/01/2024", "01/14/2024"] * 5 + ["15/01/2024"] * 9).is_doubtful
    assert propose_dates(["good", "bad"]) is None


def test_the_decimal_mark_is_counted():
    assert propose_decimal(["4,5", "3,5", "2.5"]) == ","
    assert propose_decimal(["4", "3"]) == ""


def test_a_map_that_a_person_has_worked_on_is_not_written_over(tmp_path: Path):
    save_draft("first", tmp_path / "map.toml")
    with pytest.raises(OutputError):
        save_draft("second", tmp_path / "map.toml")
    assert (tmp_path / "map.toml").read_text() == "first"


def test_the_command_prints_a_draft():
    path = DEMO / "exports" / "register_visits.csv"
    done = CliRunner().invoke(app, ["map", str(path)])
    assert done.exit_code == 0
    assert tomllib.loads(done.output)["shape"] == "long"


def test_headings_without_any_letter_are_asked(tmp_path: Path):
    path = tmp_path / "export.csv"
    path.write_text("No,{},???\n7,1,2\n", encoding="utf-8")
    tree = tomllib.loads(draft_map(path))
    assert sum("{}" in doubt or "???" in doubt for doubt in tree["doubtful"]) == 2


@pytest.mark.parametrize("sign", ["\x05", "\x7f", "\u2028"])
def test_signs_that_nobody_sees_leave_a_draft_that_can_be_read(sign, tmp_path: Path):
    path = tmp_path / "export.csv"
    rows = "".join(f"{n},N{sign}orth,L,2024-03-{n:02},cast,other{sign}\n" for n in range(11, 16))
    path.write_text(f"No,Clinic,Foot,Date of visit,Visit type,Note {sign}\n{rows}", "utf-8")
    tree = tomllib.loads(draft_map(path))
    assert tree["columns"]["visits"]["clinic"] == "Clinic"
