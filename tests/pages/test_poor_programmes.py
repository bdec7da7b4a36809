"""Programmes with little in their records: every question is answered or says why it is not."""

from __future__ import annotations

import ast
import csv
import io
from pathlib import Path
from typing import Any

import nbformat
import pytest
from small_programme import HEADINGS, write_programme

from analytics.display.block import Block
from analytics.errors import AnalyticsError, SettingsError
from analytics.reports.report import Report

NOTEBOOKS = Path(__file__).resolve().parents[2] / "notebooks"
CHAPTERS = ("02_children_and_pathway", "03_quality_indicators", "08_quarterly_report")

#: Drawn as well, which takes longest: one of each shape.
DRAWN = ("02-05", "02-07", "02-13", "03-45", "08-05", "08-c1", "08-13")

OWN = """
[indicator.slip]
title = "A slip"
numerator = "n_cast > 5"
[indicator.column]
title = "No such column"
numerator = "blood_pressure > 5"
[indicator.code]
title = "No rule but a program"
numerator = "__import__('os').system('true')"
[indicator.good]
title = "A good one of ours"
numerator = "n_casts > 4"
"""


def change(settings: Path, heading: str, keep: Any) -> None:
    """Give each row of the export another value of a column, or leave the row out (None)."""
    file = settings.with_name("visits.csv")
    head, *rows = csv.reader(io.StringIO(file.read_text(encoding="utf-8")))
    at = HEADINGS.index(heading)
    kept = [(row, keep(dict(zip(HEADINGS, row, strict=True)))) for row in rows]
    text = io.StringIO()
    changed = [[*row[:at], value, *row[at + 1 :]] for row, value in kept if value is not None]
    csv.writer(text, lineterminator="\n").writerows([head, *changed])
    file.write_text(text.getvalue(), encoding="utf-8")


def answer(settings: Path, chapter: str, **given: str) -> tuple[dict[str, Block], dict[str, str]]:
    """Run a notebook's cells here, each for itself as a report does; blocks, and what failed."""
    space: dict[str, Any] = {"cut_off": "", "audience": "", "language": "", **given}
    space["settings"] = str(settings)
    shown: dict[str, Block] = {}
    failed: dict[str, str] = {}
    for cell in nbformat.read(NOTEBOOKS / f"{chapter}.ipynb", as_version=4).cells:
        if cell.cell_type != "code" or "parameters" in cell.metadata.get("tags", []):
            continue
        tree = ast.parse(cell.source)
        last = tree.body.pop() if isinstance(tree.body[-1], ast.Expr) else None
        try:
            exec(compile(tree, cell.id, "exec"), space)
            value = eval(compile(ast.Expression(last.value), cell.id, "eval"), space) if last else 0
            if isinstance(value, Block):
                assert value.table and value.sentences and (cell.id not in DRAWN or value.svgs)
                shown[cell.id] = value
        except AnalyticsError as error:
            failed[cell.id] = str(error)
    return shown, failed


def text_of(blocks: dict[str, Block]) -> str:
    return "\n".join(block.to_text() for block in blocks.values())


@pytest.fixture
def settings(tmp_path: Path) -> Path:
    return write_programme(tmp_path, n_children=16)


@pytest.mark.parametrize("chapter", CHAPTERS)
def test_without_any_date_of_birth(settings: Path, chapter: str) -> None:
    change(settings, "Born", lambda row: "")
    shown, failed = answer(settings, chapter)
    assert failed == {} and shown
    if chapter.startswith("03"):
        early = next(line for line in text_of(shown).splitlines() if "three months of age" in line)
        assert "not estimable" in early and "16 not recorded" in early
    if chapter.startswith("02"):
        assert "Days from birth to the first visit, median: not estimable" in text_of(shown)


@pytest.mark.parametrize("chapter", CHAPTERS)
def test_a_clinic_without_any_follow_up(settings: Path, chapter: str) -> None:
    change(settings, "Visit", lambda row: row["Visit"] if row["Clinic"] == "K1" or
           row["Visit"] == "assessment" else None)  # fmt: skip
    shown, failed = answer(settings, chapter)
    assert failed == {} and shown
    if chapter.startswith("08"):
        by_clinic = shown["08-09"].table
        assert {row[1].text for row in by_clinic.rows} >= {"K1", "K2"}
        assert any("not estimable" in cell.text for row in by_clinic.rows for cell in row)


@pytest.mark.parametrize("chapter", CHAPTERS)
def test_a_cut_off_before_the_first_visit(settings: Path, chapter: str) -> None:
    shown, failed = answer(settings, chapter, cut_off="2022-01-05")
    assert failed == {} and shown
    with pytest.raises(SettingsError, match="lies before the start 2022-01-01"):
        Report.open(settings, cut_off="2021-06-30")


def test_faulty_indicators_of_its_own_are_named_and_the_rest_is_answered(settings: Path) -> None:
    settings.write_text(settings.read_text() + OWN)
    shown, failed = answer(settings, "03_quality_indicators")
    assert list(failed) == ["03-49"]
    for words in ("'n_cast'", "'blood_pressure'", "[indicator.code]"):
        assert words in failed["03-49"]
    own = shown["03-51"].to_text()
    assert "A good one of ours" in own and "A slip" not in own
    assert len(shown) == 14
