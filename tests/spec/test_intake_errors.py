"""Bad input ends in one message: what was found, where, what was allowed, what to do."""

from __future__ import annotations

import copy
from datetime import date
from pathlib import Path

import pandas as pd
import pytest
import xlsxwriter
from intake_tables import HEADINGS, KEY, MAP, two_children, write_csv

from analytics.errors import (
    AnalyticsError,
    ExportFileError,
    RecordsError,
    SettingsError,
    SourceMapError,
)
from analytics.intake.load import Programme, load
from analytics.intake.map_parse import parse_map


def load_file(path: Path, *, tree: dict | None = None, key: str = KEY, **programme: object):
    return load(
        [(path, parse_map(tree or MAP, where="plain.toml"))],
        key=key,
        programme=Programme(date(2024, 6, 15), **programme),
    )


def text_of(rows: list[dict[str, str]]) -> str:
    lines = [",".join(HEADINGS)] + [",".join(row[name] for name in HEADINGS) for row in rows]
    return "\n".join(lines) + "\n"


def with_tree(**changes: object) -> dict:
    tree = copy.deepcopy(MAP)
    return tree | changes


def missing_file(folder: Path) -> tuple[Path, dict]:
    return folder / "nothing.csv", MAP


def empty_file(folder: Path) -> tuple[Path, dict]:
    (folder / "export.csv").write_bytes(b"")
    return folder / "export.csv", MAP


def headings_alone(folder: Path) -> tuple[Path, dict]:
    return write_csv(folder / "export.csv", []), MAP


def blank_rows_alone(folder: Path) -> tuple[Path, dict]:
    (folder / "export.csv").write_text(text_of([]) + "," * (len(HEADINGS) - 1) + "\n\n")
    return folder / "export.csv", MAP


def unknown_suffix(folder: Path) -> tuple[Path, dict]:
    (folder / "export.pdf").write_text("x")
    return folder / "export.pdf", MAP


def no_workbook(folder: Path) -> tuple[Path, dict]:
    (folder / "export.xlsx").write_text("this is no workbook")
    return folder / "export.xlsx", MAP


def wrong_sheet(folder: Path) -> tuple[Path, dict]:
    with xlsxwriter.Workbook(folder / "export.xlsx") as book:
        book.add_worksheet("Visits").write_row(0, 0, HEADINGS)
    return folder / "export.xlsx", with_tree(file={"sheet": "Visit"})


def several_sheets(folder: Path) -> tuple[Path, dict]:
    with xlsxwriter.Workbook(folder / "export.xlsx") as book:
        for name in ("Visits", "Codes"):
            book.add_worksheet(name).write_row(0, 0, HEADINGS)
    return folder / "export.xlsx", MAP


def wrong_encoding(folder: Path) -> tuple[Path, dict]:
    rows = two_children()
    rows[2]["name"] = "Zoé"
    (folder / "export.csv").write_bytes(text_of(rows).encode("cp1252"))
    return folder / "export.csv", MAP


def unknown_encoding(folder: Path) -> tuple[Path, dict]:
    return write_csv(folder / "export.csv", two_children()), with_tree(file={"encoding": "utf-99"})


def stray_quote(folder: Path) -> tuple[Path, dict]:
    text = text_of(two_children()).replace("\n1,Ama Owusu", '\n1,"Ama Owusu', 2)
    (folder / "export.csv").write_text(text.replace('"Ama Owusu,0700', '"Ama Owusu"x,0700', 1))
    return folder / "export.csv", MAP


def doubled_heading(folder: Path) -> tuple[Path, dict]:
    (folder / "export.csv").write_text(text_of(two_children()).replace("why\n", "sex\n", 1))
    return folder / "export.csv", MAP


def heading_not_in_map(folder: Path) -> tuple[Path, dict]:
    return write_csv(folder / "export.csv", two_children()), with_tree(drop=[])


def heading_not_in_export(folder: Path) -> tuple[Path, dict]:
    tree = with_tree()
    tree["columns"]["children"]["sex"] = "sexe"
    return write_csv(folder / "export.csv", two_children()), tree


def header_line_beyond(folder: Path) -> tuple[Path, dict]:
    path = write_csv(folder / "export.csv", two_children())
    return path, with_tree(file={"header_line": 400})


def unmapped_code(folder: Path) -> tuple[Path, dict]:
    rows = two_children()
    rows[3]["purpose"] = "castt"
    return write_csv(folder / "export.csv", rows), MAP


def column_of_names(folder: Path) -> tuple[Path, dict]:
    rows = two_children()
    names = ["Ama Owusu", "Bo Lind", "Cy Marsh", "Di Roe", "Ed Poe", "Flo Lee"]
    for number, row in enumerate(rows):
        row["complication"] = names[number] if number < len(names) else ""
    tree = with_tree()
    del tree["columns"]["visits"]["complication"]
    tree["columns"]["visits"]["extra_note"] = "complication"
    return write_csv(folder / "export.csv", rows), tree


def column_of_telephones(folder: Path) -> tuple[Path, dict]:
    tree = with_tree(drop=[])
    tree["columns"]["children"]["extra_district"] = "phone"
    return write_csv(folder / "export.csv", two_children()), tree


def doubtful_map(folder: Path) -> tuple[Path, dict]:
    return write_csv(folder / "export.csv", two_children()), with_tree(doubtful=["day or month"])


CASES = [
    (missing_file, ExportFileError, "cannot be opened"),
    (empty_file, ExportFileError, "is empty"),
    (headings_alone, ExportFileError, "no row"),
    (blank_rows_alone, ExportFileError, "no row"),
    (unknown_suffix, ExportFileError, "no kind of file"),
    (no_workbook, ExportFileError, "not a workbook"),
    (wrong_sheet, ExportFileError, "did you mean 'Visits'?"),
    (several_sheets, ExportFileError, "has 2 sheets"),
    (wrong_encoding, ExportFileError, "line 4"),
    (unknown_encoding, ExportFileError, "utf-99"),
    (stray_quote, ExportFileError, "line 2"),
    (doubled_heading, ExportFileError, "sex"),
    (heading_not_in_map, SourceMapError, "'phone'"),
    (heading_not_in_export, SourceMapError, "did you mean 'sex'?"),
    (header_line_beyond, ExportFileError, "no line 400"),
    (unmapped_code, SourceMapError, "line 5"),
    (column_of_names, SourceMapError, "names of persons"),
    (column_of_telephones, SourceMapError, "direct identifier"),
    (doubtful_map, SourceMapError, "doubtful"),
]


@pytest.mark.parametrize("make, kind, said", CASES, ids=[case[0].__name__ for case in CASES])
def test_one_message_for_bad_input(make, kind, said, tmp_path: Path):
    path, tree = make(tmp_path)
    with pytest.raises(AnalyticsError) as caught:
        load_file(path, tree=tree)
    assert type(caught.value) is kind
    assert said in str(caught.value)
    assert caught.value.where
    assert caught.value.todo


def test_a_column_of_telephones_is_refused_whatever_its_heading(tmp_path: Path):
    rows = two_children()
    tree = with_tree()
    del tree["columns"]["visits"]["complication"]
    tree["columns"]["visits"]["extra_note"] = "complication"
    for number, row in enumerate(rows):
        row["complication"] = f"07{number:02d} 555 01{number:02d}"
    with pytest.raises(SourceMapError, match="telephone numbers") as caught:
        load_file(write_csv(tmp_path / "export.csv", rows), tree=tree)
    assert "555" not in str(caught.value)


def test_a_clinic_that_the_programme_does_not_have_is_refused(tmp_path: Path):
    clinics = pd.DataFrame({"clinic": pd.array(["N02"], dtype="string")})
    path = write_csv(tmp_path / "export.csv", two_children())
    with pytest.raises(SourceMapError, match="'N01'"):
        load_file(path, clinics=clinics)


def test_a_short_key_is_refused_and_not_shown(tmp_path: Path):
    with pytest.raises(SettingsError) as caught:
        load_file(write_csv(tmp_path / "export.csv", two_children()), key="secret")
    assert "secret" not in str(caught.value)


def test_unmapped_codes_go_to_the_ledger_where_the_map_says_so(tmp_path: Path):
    rows = two_children()
    rows[3]["purpose"] = "castt"
    rows[7]["procedure"] = "mystery operation"
    path = write_csv(tmp_path / "export.csv", rows)
    ledger = load_file(path, tree=with_tree(unmapped_codes="ledger")).ledger
    fates = ledger.rows.set_index("line")
    assert fates.loc[5, "fate"] == "quarantined"
    assert fates.loc[5, "reason"] == "unreadable"
    assert fates.loc[9, "fate"] == "kept"
    assert list(ledger.amendments["column"]) == ["procedure"]
    assert list(ledger.amendments["before"]) == ["(text of 17 signs)"]


@pytest.mark.parametrize("change", [{"number": ""}, {"visited_on": "never"}, {"side": ""}])
def test_an_export_of_which_no_row_can_be_used_is_one_message(change, tmp_path: Path):
    path = write_csv(tmp_path / "export.csv", [row | change for row in two_children()])
    with pytest.raises(RecordsError, match="no row") as caught:
        load_file(path)
    assert caught.value.todo
