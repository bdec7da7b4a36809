"""The page of a hypothesis: its sections, its checklists, and the command that makes it."""

import json
from pathlib import Path

import nbformat
import pandas as pd
import pytest
from small_programme import write_programme

from analytics.cli import main
from analytics.definitions.labels import label, labels
from analytics.definitions.reporting_items import ELSEWHERE, REPORTING_ITEMS, SECTIONS

NOTEBOOK = Path(__file__).resolve().parents[2] / "notebooks" / "10_hypothesis.ipynb"


def headings():
    cells = nbformat.read(NOTEBOOK, as_version=4).cells
    lines = [line for c in cells if c.cell_type == "markdown" for line in c.source.splitlines()]
    return [line[3:] for line in lines if line.startswith("## ")]


def test_the_sections_that_the_checklist_points_to_are_those_of_the_page():
    assert headings() == [label("en", f"section.{name}") for name in SECTIONS]


def test_every_item_of_both_statements_is_there_and_points_somewhere():
    """STROBE (von Elm 2007): 22 items, of which 1, 6, 12, 13, 14 and 16 have parts, 34 lines for
    cohort studies. RECORD (Benchimol 2015): 13 items, as its abstract says.
    """
    strobe = [item.code for item in REPORTING_ITEMS if item.statement == "STROBE"]
    record = [item.code for item in REPORTING_ITEMS if item.statement == "RECORD"]
    assert {int("".join(c for c in code if c.isdigit())) for code in strobe} == set(range(1, 23))
    assert (len(strobe), len(set(strobe)), len(record), len(set(record))) == (34, 34, 13, 13)
    for item in REPORTING_ITEMS:
        assert item.where
        assert set(item.where) <= {*SECTIONS, *ELSEWHERE}
        assert f"item.{item.name}" in labels("en")


@pytest.fixture
def talipes(monkeypatch, capsys):
    def run(*words):
        monkeypatch.setattr("sys.argv", ["talipes", *map(str, words)])
        with pytest.raises(SystemExit) as ended:
            main()
        out = capsys.readouterr()
        return ended.value.code or 0, out.out, out.err

    return run


def test_one_command_states_answers_and_hands_over_the_rows(talipes, tmp_path):
    settings = write_programme(tmp_path)
    words = ("--exposure", "bilateral", "--outcome", "relapse", "--adjust", "sex")
    code, _, err = talipes("hypothesis", settings, *words, "--out", tmp_path / "out")
    assert (code, err) == (0, "")
    made = {path.name for path in (tmp_path / "out").iterdir()}
    assert made == {
        "hypothesis.html", "tables.xlsx", "results.json", "provenance.json",
        "feet.csv", "feet.parquet", "feet.dictionary.csv",
    }  # fmt: skip
    (entry,) = [json.loads(x) for x in (tmp_path / "hypotheses.jsonl").read_text().splitlines()]
    provenance = json.loads((tmp_path / "out" / "provenance.json").read_text())
    assert provenance["hypothesis"] == entry
    page = (tmp_path / "out" / "hypothesis.html").read_text()
    assert entry["hash"][:16] in page
    assert all(f">{words}</h2>" in page for words in headings())
    assert "Invented Person" not in page
    dictionary = pd.read_csv(tmp_path / "out" / "feet.dictionary.csv")
    rows = pd.read_parquet(tmp_path / "out" / "feet.parquet")
    assert list(dictionary["column"]) == list(rows.columns)
    assert dictionary["meaning"].ne("").all()
    assert "study_stage" in rows


def test_a_hypothesis_that_cannot_be_asked_is_not_registered(talipes, tmp_path):
    settings = write_programme(tmp_path, n_children=6)
    wrong = (("--exposure", "nothing"), ("--outcome", "relapse"))
    code, _, err = talipes("hypothesis", settings, *(w for pair in wrong for w in pair))
    assert code == 3
    assert "there is no column called 'nothing'" in err
    assert "Traceback" not in err
    assert not (tmp_path / "hypotheses.jsonl").exists()
