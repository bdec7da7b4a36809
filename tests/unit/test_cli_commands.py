"""Every command once as it should go, and each thing a person can get wrong, at the command line.

Making a report is tested by its files; the errors of reading exports beside those.
"""

from __future__ import annotations

import csv
import io
import re
from pathlib import Path

import pytest
from small_programme import write_programme

from analytics.cli import app, main
from analytics.reports.comparing import write_state
from analytics.reports.report import Report

TESTS = Path(__file__).resolve().parents[1]


@pytest.fixture(scope="module")
def settings(tmp_path_factory):
    return write_programme(tmp_path_factory.mktemp("programme"), n_children=24)


@pytest.fixture(scope="module")
def last(settings, tmp_path_factory):
    folder = tmp_path_factory.mktemp("last")
    write_state(Report.open(settings, cut_off="2022-12-31"), folder)
    (folder / "provenance.json").write_text("{}")
    return folder


@pytest.fixture
def talipes(monkeypatch, capsys):
    def run(*words):
        monkeypatch.setattr("sys.argv", ["talipes", *map(str, words)])
        with pytest.raises(SystemExit) as ended:
            main()
        said = capsys.readouterr()
        assert "Traceback" not in said.err
        return ended.value.code or 0, said.out, said.err

    return run


def test_every_command_is_run_by_a_test():
    names = {c.name or c.callback.__name__ for c in app.registered_commands}
    text = "".join(file.read_text(encoding="utf-8") for file in TESTS.rglob("test_*.py"))
    run = set(re.findall(r'(?:talipes\(|\[|\()\s*"(\w+)"', text))
    assert names - run == set()


def test_define_prints_one_figure_or_lists_all(talipes):
    code, out, _ = talipes("define", "initial_correction")
    assert code == 0 and "is_corrected" in out and "Matures" in out
    code, out, _ = talipes("define", "--language", "fr")
    assert code == 0 and "coverage" in out and "Correction initiale" in out


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("initial_corection",), "initial_correction"),
        (("--language", "xx"), "no labels for the language"),
        (("--settings", "nowhere.toml"), "nowhere.toml"),
    ],
)
def test_define_with_a_slip_is_one_message(talipes, words, said):
    code, _, err = talipes("define", *words)
    assert code == 3 and said in err


def test_trace_lists_the_lines_behind_a_number(talipes, settings, tmp_path):
    code, out, _ = talipes("trace", "initial_correction", settings, "--clinic", "K1")
    assert code == 0
    n_yes = int(re.search(r"Yes \(in numerator and denominator\): (\d+) feet", out)[1])
    assert n_yes > 0 and "visits.csv" in out and "Invented Person" not in out
    for verdict in ("No (in the", "Unknown", "Too early", "Outside"):
        assert verdict in out
    file = tmp_path / "lines.csv"
    code, out, _ = talipes("trace", "initial_correction", settings, "--clinic", "K1", "--out", file)
    assert code == 0 and str(file) in out
    rows = list(csv.DictReader(io.StringIO(file.read_text(encoding="utf-8"))))
    yes = {(row["child"], row["side"]) for row in rows if row["verdict"] == "yes"}
    assert len(yes) == n_yes
    assert all(row["line"] and row["file"] == "visits.csv" for row in rows)


def test_trace_as_of_another_day_has_fewer_lines(talipes, settings):
    _, now, _ = talipes("trace", "dropped_out", settings)
    _, then, _ = talipes("trace", "dropped_out", settings, "--cut-off", "2023-06-30")
    assert len(then.splitlines()) < len(now.splitlines())


@pytest.mark.parametrize(
    ("words", "exit_code", "said"),
    [
        (("initial_corection",), 3, "initial_correction"),
        (("initial_correction", "--clinic", "K9"), 6, "K1, K2"),
        (("initial_correction", "--quarter", "1999Q1"), 6, "2022Q1"),
        (("initial_correction", "--cut-off", "soon"), 3, "soon"),
        (("initial_correction", "--out", "lines.sav"), 8, ".csv or .parquet"),
    ],
)
def test_trace_with_a_slip_is_one_message(talipes, settings, words, exit_code, said):
    code, out, err = talipes("trace", words[0], settings, *words[1:])
    assert code == exit_code and said in err and out == ""


def test_trace_is_refused_where_the_settings_are_for_the_public(talipes, settings, tmp_path):
    public = settings.with_name("public.toml")
    public.write_text(settings.read_text() + '\n[policy]\naudience = "public"\n')
    file = tmp_path / "lines.csv"
    code, out, err = talipes("trace", "initial_correction", public, "--out", file)
    assert code == 3 and "may not be listed" in err
    assert out == "" and not file.exists()


def test_recompute_passes_what_agrees_and_names_what_does_not(talipes, tmp_path):
    table = tmp_path / "table.csv"
    table.write_text("label,k,n,percent,unit\nTenotomy,36,50,72,foot\n")
    code, out, _ = talipes("recompute", table)
    assert code == 0 and "follows from the others" in out
    table.write_text("label,k,n,percent,unit\nTenotomy,36,50,76,foot\n")
    code, out, _ = talipes("recompute", table)
    assert code == 9 and "36 of 50 is 72%, not 76%" in out


@pytest.mark.parametrize("text", [None, "", "name,k,share\na,1,2\n", "name,k,n\na,one,2\n"])
def test_recompute_of_no_table_is_one_message(talipes, tmp_path, text):
    table = tmp_path / "table.csv"
    if text is not None:
        table.write_text(text)
    code, out, err = talipes("recompute", table)
    assert code == 4 and "table.csv" in err and out == ""


def test_compare_says_what_entered_and_matured(talipes, settings, last):
    code, out, _ = talipes("compare", settings, last)
    assert code == 0
    assert "As of 31 December 2022 in the last report, as of 31 December 2025 now." in out
    assert re.search(r"Initial correction.*: \d+/\d+ -> \d+/\d+", out)
    assert "too early to say then" in out and "Invented Person" not in out


def test_compare_with_no_report_is_one_message(talipes, settings, tmp_path):
    code, _, err = talipes("compare", settings, tmp_path / "nowhere")
    assert code in (4, 8) and "nowhere" in err


def test_map_proposes_and_writes(talipes, settings, tmp_path):
    export = settings.with_name("visits.csv")
    code, out, _ = talipes("map", export)
    assert code == 0 and "[file]" in out and "visited_on" in out
    file = tmp_path / "map.toml"
    code, out, _ = talipes("map", export, "--out", file)
    assert code == 0 and "[file]" in file.read_text()
    code, _, err = talipes("map", tmp_path / "nowhere.csv")
    assert code == 4 and "nowhere.csv" in err


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("answers", "SETTINGS", "nowhere.xlsx"), "corrections"),
        (("hypothesis", "SETTINGS", "--exposure", "nothing", "--outcome", "casts"), "nothing"),
    ],
)
def test_other_commands_with_a_slip_are_one_message(talipes, settings, tmp_path, words, said):
    given = [settings if word == "SETTINGS" else word for word in words]
    extra = ["--out", tmp_path / "out"] if words[0] == "hypothesis" else []
    code, _, err = talipes(*given, *extra)
    assert code in (3, 4) and said in err


def test_without_a_command_help_is_shown(talipes):
    code, out, err = talipes()
    assert code in (0, 2) and "Usage:" in out + err
