"""Readers of each kind of file give the same cells; broken and oversized files are one message."""

from __future__ import annotations

import hashlib
import re
import zipfile
from datetime import date
from pathlib import Path

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.parquet as parquet
import pytest
import xlsxwriter

from analytics.errors import ExportFileError
from analytics.intake import open_workbook, read_zip
from analytics.intake.map_types import FileSettings
from analytics.intake.read import Sheet, read_sheet

ROWS = [["No", "Day", "Score"], ["7", date(2024, 3, 1), 4.5], ["8", date(2024, 3, 8), 4.0]]


def write_xlsx(path: Path) -> Path:
    with xlsxwriter.Workbook(path) as book:
        day = book.add_format({"num_format": "yyyy-mm-dd"})
        sheet = book.add_worksheet("A")
        for number, row in enumerate(ROWS):
            for column, value in enumerate(row):
                if isinstance(value, date):
                    sheet.write_datetime(number, column, value, day)
                else:
                    sheet.write(number, column, value)
    return path


def write_ods(path: Path) -> Path:
    """Write the smallest workbook of the OpenDocument standard that holds the rows."""
    cells = {
        str: '<table:table-cell office:value-type="string"><text:p>{}</text:p></table:table-cell>',
        float: '<table:table-cell office:value-type="float" office:value="{}"/>',
        date: '<table:table-cell office:value-type="date" office:date-value="{}"/>',
    }
    rows = "".join(
        "<table:table-row>" + "".join(cells[type(v)].format(v) for v in row) + "</table:table-row>"
        for row in ROWS
    )
    kind = "urn:oasis:names:tc:opendocument:xmlns"
    content = (
        f'<?xml version="1.0"?><office:document-content xmlns:office="{kind}:office:1.0" '
        f'xmlns:table="{kind}:table:1.0" xmlns:text="{kind}:text:1.0"><office:body>'
        f'<office:spreadsheet><table:table table:name="A">{rows}</table:table>'
        "</office:spreadsheet></office:body></office:document-content>"
    )
    manifest = (
        '<?xml version="1.0"?><manifest:manifest xmlns:manifest="'
        f'{kind}:manifest:1.0"><manifest:file-entry manifest:full-path="/" '
        'manifest:media-type="application/vnd.oasis.opendocument.spreadsheet"/></manifest:manifest>'
    )
    with zipfile.ZipFile(path, "w") as parts:
        parts.writestr("mimetype", "application/vnd.oasis.opendocument.spreadsheet")
        parts.writestr("META-INF/manifest.xml", manifest)
        parts.writestr("content.xml", content)
    return path


def write_parquet(path: Path) -> Path:
    frame = pd.DataFrame(ROWS[1:], columns=ROWS[0])
    frame.to_parquet(path)
    return path


def write_text(path: Path) -> Path:
    path.write_text("No,Day,Score\n7,2024-03-01,4.5\n8,2024-03-08,4\n")
    return path


def write_zip(path: Path) -> Path:
    inner = write_xlsx(path.with_suffix(".xlsx"))
    with zipfile.ZipFile(path, "w") as archive:
        archive.write(inner, "folder/inner.xlsx")
    return path


def values_of(sheet: Sheet) -> list[list[object]]:
    return [[cell for cell in row] for row in sheet.cells.astype(object).to_numpy().tolist()]


WRITERS = {".xlsx": write_xlsx, ".ods": write_ods, ".parquet": write_parquet, ".zip": write_zip}


@pytest.mark.parametrize("suffix", WRITERS)
def test_dates_and_fractions_keep_their_type_and_whole_numbers_are_texts(suffix, tmp_path: Path):
    sheet = read_sheet(WRITERS[suffix](tmp_path / f"export{suffix}"), FileSettings())
    assert values_of(sheet) == [["7", date(2024, 3, 1), 4.5], ["8", date(2024, 3, 8), "4"]]


def test_a_text_file_is_all_text(tmp_path: Path):
    sheet = read_sheet(write_text(tmp_path / "export.csv"), FileSettings())
    assert values_of(sheet) == [["7", "2024-03-01", "4.5"], ["8", "2024-03-08", "4"]]


def test_lines_are_those_that_a_person_sees(tmp_path: Path):
    for suffix, lines in ((".xlsx", [2, 3]), (".ods", [2, 3]), (".parquet", [1, 2])):
        sheet = read_sheet(WRITERS[suffix](tmp_path / f"export{suffix}"), FileSettings())
        assert sheet.line.tolist() == lines


def test_a_member_of_an_archive_is_named_with_it(tmp_path: Path):
    sheet = read_sheet(write_zip(tmp_path / "pack.zip"), FileSettings(member="inner.xlsx"))
    assert sheet.file == "pack.zip/folder/inner.xlsx"


def archive(folder: Path, **members: bytes) -> Path:
    path = folder / "pack.zip"
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as made:
        for name, content in members.items():
            made.writestr(name.replace("_", "."), content)
    return path


def bomb(folder: Path) -> Path:
    path = folder / "pack.zip"
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as made, made.open("a.csv", "w") as part:
        for _ in range(3):
            part.write(bytes(1_000_000))
    return path


def workbook_bomb(folder: Path) -> Path:
    return bomb(folder).rename(folder / "trap.xlsx")


def cut_short(folder: Path) -> Path:
    path = write_xlsx(folder / "cut.xlsx")
    path.write_bytes(path.read_bytes()[:-400])
    return path


def no_parquet(folder: Path) -> Path:
    (folder / "x.parquet").write_bytes(b"PAR1 nothing PAR1")
    return folder / "x.parquet"


def nested_parquet(folder: Path) -> Path:
    pd.DataFrame({"No": ["7"], "Scores": [[1, 2]]}).to_parquet(folder / "x.parquet")
    return folder / "x.parquet"


def parquet_with_a_broken_name(folder: Path) -> Path:
    path = folder / "x.parquet"
    pd.DataFrame({"Number": ["7"]}).to_parquet(path)
    path.write_bytes(path.read_bytes().replace(b"Number", b"Num\xb8er"))
    return path


def parquet_of_many_rows(folder: Path) -> Path:
    n = 40_000_000
    same = pa.DictionaryArray.from_arrays(pa.array(np.zeros(n, dtype=np.int32)), ["7"])
    parquet.write_table(pa.table({"No": same}), folder / "x.parquet")
    return folder / "x.parquet"


def stray_cell(folder: Path) -> Path:
    with xlsxwriter.Workbook(folder / "x.xlsx") as book:
        sheet = book.add_worksheet("Records")
        sheet.write_row(0, 0, ["No"])
        sheet.write(1_048_575, 16_383, "stray")
    return folder / "x.xlsx"


def no_sheet(folder: Path) -> Path:
    write_xlsx(folder / "sound.xlsx")
    with (
        zipfile.ZipFile(folder / "sound.xlsx") as sound,
        zipfile.ZipFile(folder / "x.xlsx", "w") as made,
    ):
        for name in sound.namelist():
            content = sound.read(name)
            if name == "xl/workbook.xml":
                content = re.sub(rb"<sheets>.*</sheets>", b"<sheets/>", content, flags=re.S)
            made.writestr(name, content)
    return folder / "x.xlsx"


def no_xls(folder: Path) -> Path:
    (folder / "x.xls").write_bytes(bytes.fromhex("d0cf11e0a1b11ae1") + bytes(600))
    return folder / "x.xls"


def no_archive(folder: Path) -> Path:
    (folder / "x.zip").write_bytes(b"nothing")
    return folder / "x.zip"


BROKEN = [
    (lambda folder: archive(folder, a_csv=b"a\n1\n", b_csv=b"a\n1\n"), "2 files"),
    (lambda folder: archive(folder, a_pdf=b"x"), "no kind of file"),
    (lambda folder: archive(folder), "0 files"),
    (bomb, "unfolds to 3 MB"),
    (workbook_bomb, "unfolds to 3 MB"),
    (cut_short, "not a workbook"),
    (no_parquet, "not a Parquet file"),
    (nested_parquet, "'Scores' holds list"),
    (parquet_with_a_broken_name, "not a Parquet file"),
    (parquet_of_many_rows, "claims 40,000,000 cells"),
    (stray_cell, "column 16,384 and line 1,048,576"),
    (no_xls, "not a workbook"),
    (no_sheet, "it has no sheet"),
    (no_archive, "cannot be opened"),
]


@pytest.mark.parametrize("make, said", BROKEN, ids=[said for _, said in BROKEN])
def test_a_broken_file_is_one_message(make, said, tmp_path: Path, monkeypatch):
    monkeypatch.setattr(read_zip, "MOST_BYTES", 1_000_000)
    path = make(tmp_path)
    with pytest.raises(ExportFileError, match=said) as caught:
        read_sheet(path, FileSettings())
    assert caught.value.where
    assert caught.value.todo


def test_a_workbook_that_ends_its_process_is_one_message(tmp_path: Path, monkeypatch):
    monkeypatch.setattr(open_workbook.workbook_apart, "__name__", "tests_that_no_module_has")
    path = Path(__file__).parents[1] / "exports" / "workbook_xls_with_merged_headings/export.xls"
    with pytest.raises(ExportFileError, match="not a workbook that can be read: .*No module"):
        read_sheet(path, FileSettings())


@pytest.mark.parametrize("seed", range(4))
def test_mutated_files_end_in_cells_or_one_message(seed, tmp_path: Path):
    """Change, cut or repeat bytes of each kind of file; nothing but our own error may come out."""
    rng = np.random.default_rng(seed)
    writers = {**WRITERS, ".csv": write_text}
    outcomes = {"cells": 0, "message": 0}
    for suffix, write in writers.items():
        content = write(tmp_path / f"sound{suffix}").read_bytes()
        for number in range(40):
            path = tmp_path / f"mutated{suffix}"
            path.write_bytes(mutate(content, rng))
            try:
                read_sheet(path, FileSettings(header_line=1 + number % 2))
                outcomes["cells"] += 1
            except ExportFileError:
                outcomes["message"] += 1
    assert sum(outcomes.values()) == 200
    assert min(outcomes.values()) > 10


def mutate(content: bytes, rng) -> bytes:
    held = bytearray(content)
    for _ in range(int(rng.integers(1, 8))):
        at = int(rng.integers(0, len(held)))
        kind = int(rng.integers(0, 3))
        if kind == 0:
            held[at] = int(rng.integers(0, 256))
        elif kind == 1:
            del held[at : at + int(rng.integers(1, 12))]
        else:
            held[at:at] = held[at : at + int(rng.integers(1, 12))]
        if not held:
            return b""
    return bytes(held)


def test_the_bytes_of_the_file_are_hashed(tmp_path: Path):
    path = write_text(tmp_path / "export.csv")
    expected = hashlib.sha256(path.read_bytes()).hexdigest()
    assert read_sheet(path, FileSettings()).sha256 == expected
