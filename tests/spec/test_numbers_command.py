"""The command that writes all numbers of a network: its files, its policy, and what it refuses."""

from __future__ import annotations

import json

import pandas as pd
import pytest
from python_calamine import CalamineWorkbook
from small_programme import write_programme
from typer.testing import CliRunner

from analytics.analyses import cast_steps, indicators, time_to
from analytics.cli import app
from analytics.errors import OutputError, QuestionError
from analytics.reports.folder import hash_file
from analytics.reports.report import Report

OWN = """
[indicator.half_read]
title = "Names a column that is not there"
area = "casting"
numerator = "no_such_column == 'yes'"
"""


@pytest.fixture(scope="module")
def settings(tmp_path_factory):
    return write_programme(tmp_path_factory.mktemp("programme"))


@pytest.fixture(scope="module")
def written(settings):
    out = settings.parent / "numbers"
    run = CliRunner().invoke(app, ["numbers", str(settings), str(out)])
    assert run.exit_code == 0, run.output
    return out


def read_blocks(folder):
    return {b["name"]: b for b in json.loads((folder / "results.json").read_text("utf-8"))}


def test_the_numbers_are_those_that_a_report_shows(settings, written):
    report, blocks = Report.open(settings), read_blocks(written)
    shown = {
        "headline": indicators.estimates(
            report.cohort, report.catalogue.headline, question="headline"
        ),
        "relapse": time_to.curve(report.cohort),
        "correction_curve": cast_steps.curve(report.cohort),
    }
    for name, result in shown.items():
        released = report.show(result).released.frame.astype(object)
        expected = released.where(released.notna(), None).reset_index(drop=True)
        found = pd.DataFrame(blocks[name]["frame"], dtype=object)
        pd.testing.assert_frame_equal(found, expected, check_exact=False, check_dtype=False)
    assert "svg" not in blocks["relapse"]


def test_every_table_is_in_the_workbook_with_its_intervals(written):
    book = CalamineWorkbook.from_path(written / "tables.xlsx")
    assert {"headline", "clinics_care_by_clinic", "relapse_incidence"} <= set(book.sheet_names)
    rows = book.get_sheet_by_name("headline").to_python()
    assert {"Counted", "Lower limit", "Upper limit"} <= {cell for row in rows for cell in row}


def test_the_provenance_holds_the_hashes_of_the_files_and_the_balance(settings, written):
    told = json.loads((written / "provenance.json").read_text("utf-8"))
    assert told["files"] == {n: hash_file(written / n) for n in ("results.json", "tables.xlsx")}
    balance = told["balance"]
    assert balance["n_read"] == balance["n_kept"] + balance["n_merged"] + balance["n_quarantined"]
    assert balance["n_read"] > 0


def test_a_public_run_names_no_clinic_and_no_file(settings):
    out = settings.parent / "public"
    asked = ["numbers", str(settings), str(out), "--audience", "public", "--language", "fr"]
    assert CliRunner().invoke(app, asked).exit_code == 0
    for name in ("results.json", "provenance.json"):
        text = (out / name).read_text("utf-8")
        assert not any(word in text for word in ("K1", "K2", "Second & last", "visits.csv"))


def test_what_a_person_put_in_the_folder_is_not_replaced(settings):
    out = settings.parent / "mine"
    out.mkdir()
    (out / "notes.txt").write_text("mine")
    run = CliRunner().invoke(app, ["numbers", str(settings), str(out)])
    assert isinstance(run.exception, OutputError)
    assert [path.name for path in out.iterdir()] == ["notes.txt"]


def test_an_indicator_that_cannot_be_counted_is_named_after_all_else_was_written(tmp_path):
    settings = write_programme(tmp_path, n_children=12)
    settings.write_text(settings.read_text() + OWN)
    run = CliRunner().invoke(app, ["numbers", str(settings), str(tmp_path / "out")])
    assert isinstance(run.exception, QuestionError)
    assert "half_read" in str(run.exception)
    assert (tmp_path / "out" / "results.json").is_file()
