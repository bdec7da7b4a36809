"""Workbooks: numbers as numbers, no formulas, allowed names, the same bytes every time."""

import io
import re
from dataclasses import replace
from datetime import date
from zipfile import ZipFile

import pytest
from python_calamine import CalamineWorkbook

from analytics.reports.workbook import Sheet, build_workbook, unique_names

SHEET = Sheet(
    name="Clinic: A/B",
    title="A table",
    about=(("Unit of count", "foot"),),
    heads=("clinic", "n", "share", "on", "note"),
    rows=(
        ("=1+1", 12, 0.25, date(2025, 3, 1), None),
        ("@cmd", 3, None, None, "http://example.org"),
        ("007", 0, 1.5, None, "\t-x"),
    ),
)


def build(*sheets):
    return build_workbook(sheets, about="All tables", cut_off=date(2025, 12, 31), language="en")


def read(data, name):
    return CalamineWorkbook.from_filelike(io.BytesIO(data)).get_sheet_by_name(name).to_python()


def test_the_first_sheet_explains_and_lists_the_others():
    rows = read(build(SHEET), "Read me")
    assert rows[0][0] == "All tables"
    assert rows[1][0] == "Records up to 31 December 2025"
    assert rows[-1][:3] == ["Clinic  A B", "A table", 3.0]


def test_numbers_are_numbers_and_text_stays_text():
    rows = read(build(SHEET), "Clinic  A B")
    assert rows[1][0] == "Unit of count: foot"
    assert rows[-3] == ["=1+1", 12.0, 0.25, date(2025, 3, 1), ""]
    assert rows[-1][:3] == ["007", 0.0, 1.5]


def test_no_cell_holds_a_formula_or_a_link():
    with ZipFile(io.BytesIO(build(SHEET))) as archive:
        for name in archive.namelist():
            text = archive.read(name).decode("utf-8")
            assert "<f>" not in text
            assert "hyperlink" not in text


def test_the_same_sheets_give_the_same_bytes():
    assert build(SHEET) == build(SHEET)


@pytest.mark.parametrize(
    ("names", "expected"),
    [
        (["a", "A"], ["a", "A (2)"]),
        (["x" * 40, "x" * 40], ["x" * 31, "x" * 27 + " (2)"]),
        (["[1]:*?/\\"], ["1"]),
        (["'quoted'", ""], ["quoted", "-"]),
        (["History"], ["History (2)"]),
    ],
)
def test_names_of_sheets_are_allowed_and_unique(names, expected):
    assert unique_names(names) == expected


def test_a_sheet_without_rows_is_written():
    empty = Sheet("empty", "Nothing", (), ("a",), ())
    assert read(build(empty), "empty")[-1] == ["a"]


def test_a_sheet_prints_on_a4_and_long_texts_have_rows_that_show_them_whole():
    long = replace(SHEET, rows=(("word " * 40, 1, None, None, None), ("short", 2, *[None] * 3)))
    with ZipFile(io.BytesIO(build(long))) as archive:
        xml = archive.read("xl/worksheets/sheet2.xml").decode("utf-8")
    assert 'paperSize="9"' in xml
    heights = [float(height) for height in re.findall(r'<row [^>]*\bht="([\d.]+)"', xml)]
    # 200 characters in a column of 36 take six lines of 15 points.
    assert heights == [90.0]
