"""Bad input at the command line: one message, an exit code by cause, the last report untouched."""

import re

import pytest
from small_programme import CLINICS, MAP, SETTINGS, write_programme
from xlsxwriter import Workbook

from analytics.cli import main


@pytest.fixture
def talipes(monkeypatch, capsys):
    def run(*words):
        monkeypatch.setattr("sys.argv", ["talipes", *map(str, words)])
        with pytest.raises(SystemExit) as ended:
            main()
        said = capsys.readouterr()
        return ended.value.code or 0, said.out, said.err

    return run


@pytest.fixture
def folder(tmp_path):
    write_programme(tmp_path, n_children=12)
    return tmp_path


def change(folder, file, before, after):
    path = folder / file
    text = path.read_text(encoding="utf-8")
    assert before in text
    path.write_text(text.replace(before, after), encoding="utf-8")


def use_workbook(folder, *, sheet):
    with Workbook(folder / "visits.xlsx") as book:
        book.add_worksheet("Visits").write_row(0, 0, ["Child", "Day"])
    change(folder, "programme.toml", "visits.csv", "visits.xlsx")
    change(folder, "map.toml", "[file]", f'[file]\nsheet = "{sheet}"')
    change(folder, "map.toml", 'encoding = "utf-8"\ndelimiter = ","\n', "")


#: What is spoilt, the exit code, and words that say what, where and what is allowed.
SPOILT = {
    "settings missing": (
        lambda f: (f / "programme.toml").unlink(),
        3,
        ("cannot be read", "programme.toml"),
    ),
    "settings key unknown": (
        lambda f: change(f, "programme.toml", "cut_off", "cutt_off"),
        3,
        ("'cutt_off'", "[programme]", "write 'cut_off'?"),
    ),
    "settings day impossible": (
        lambda f: change(f, "programme.toml", "2025-12-31", '"2025-13-31"'),
        3,
        ("2025-13-31", "cut_off"),
    ),
    "key of pseudonyms missing": (
        lambda f: change(f, "programme.toml", "identity_key", "# identity_key"),
        3,
        ("no key", "identity_key_env"),
    ),
    "export missing": (lambda f: (f / "visits.csv").unlink(), 4, ("visits.csv",)),
    "export empty": (lambda f: (f / "visits.csv").write_text(""), 4, ("visits.csv", "empty")),
    "sheet wrong": (lambda f: use_workbook(f, sheet="Visites"), 4, ("'Visites'", "Visits")),
    "clinics missing": (lambda f: (f / "clinics.csv").unlink(), 4, ("clinics.csv",)),
    "map missing": (lambda f: (f / "map.toml").unlink(), 5, ("map.toml",)),
    "map key unknown": (
        lambda f: change(f, "map.toml", "delimiter", "delimeter"),
        5,
        ("'delimeter'", "delimiter", "map.toml"),
    ),
    "heading unknown": (
        lambda f: change(f, "map.toml", '"Visit"', '"Visit kind"'),
        5,
        ("Visit kind", "visits.csv"),
    ),
    "heading not mapped": (
        lambda f: change(f, "visits.csv", "Pirani,", "Pirani,Extra heading,"),
        5,
        ("Extra heading", "visits.csv"),
    ),
    "code not mapped": (
        lambda f: change(f, "visits.csv", ",F,", ",Woman,"),
        5,
        ("'Woman'", "visits.csv", "line 38", "'Sex'"),
    ),
    "no usable record": (
        lambda f: (f / "visits.csv").write_text(
            (f / "visits.csv").read_text().replace("202", "not a day ")
        ),
        6,
        ("no row", "talipes check"),
    ),
}


@pytest.mark.parametrize("command", ["report", "check", "cohort"])
@pytest.mark.parametrize("case", SPOILT)
def test_bad_input_is_one_message_with_its_own_exit_code(talipes, folder, case, command):
    spoil, exit_code, said = SPOILT[case]
    spoil(folder)
    last = folder / "report"
    last.mkdir()
    extra = {"report": ["--out", last], "check": [], "cohort": [folder / "feet.csv"]}[command]
    code, _, err = talipes(command, folder / "programme.toml", *extra)
    assert code == exit_code, err
    assert [words for words in said if words not in err] == []
    assert "Traceback" not in err
    assert re.search(r"^  to do: ", err, re.MULTILINE)
    assert list(last.iterdir()) == []
    assert not (folder / "feet.csv").exists()


def test_a_folder_that_is_no_report_is_refused_before_any_work(talipes, folder):
    (folder / "precious").mkdir()
    (folder / "precious" / "thesis.txt").write_text("mine")
    code, _, err = talipes("report", folder / "programme.toml", "--out", folder / "precious")
    assert code == 8
    assert "thesis.txt" in err
    assert (folder / "precious" / "thesis.txt").read_text() == "mine"


def test_another_ending_of_the_analysis_file_is_refused_before_any_work(talipes, folder):
    (folder / "visits.csv").unlink()
    code, _, err = talipes("cohort", folder / "programme.toml", folder / "feet.sav")
    assert code == 8
    assert ".csv or .parquet" in err


@pytest.mark.parametrize("option", [["--audience", "publik"], ["--cut-off", "2025-02-30"]])
def test_a_bad_option_is_one_message(talipes, folder, option):
    code, _, err = talipes("report", folder / "programme.toml", *option)
    assert code == 3
    assert option[1] in err


def test_check_prints_the_balance_and_the_worst_faults(talipes, folder):
    first, *rest = (folder / "visits.csv").read_text().splitlines()
    late = rest[0].replace("2022-01-13", "2031-01-13")
    (folder / "visits.csv").write_text("\n".join([first, *rest, late, ""]))
    code, out, _ = talipes("check", folder / "programme.toml")
    n = len(rest)
    assert code == 0
    assert f"{n + 1:,} rows read = {n:,} kept + 0 merged + 1 quarantined" in out
    assert f"R02 (hard) 1 times, first in visits.csv line {n + 2}" in out
    assert "Invented Person" not in out


def test_a_report_as_of_an_earlier_day_finds_no_fault_in_later_visits(talipes, folder):
    _, today, _ = talipes("check", folder / "programme.toml")
    _, earlier, _ = talipes("check", folder / "programme.toml", "--cut-off", "2024-06-30")
    assert today == earlier


def test_cohort_writes_one_row_per_foot_and_its_dictionary(talipes, folder):
    code, out, _ = talipes("cohort", folder / "programme.toml", folder / "feet.csv")
    assert code == 0
    assert "feet.csv" in out
    assert "feet.dictionary.csv" in out
    text = (folder / "feet.csv").read_text()
    assert len(text.splitlines()) == 1 + 12 + 4
    assert "C000" not in text
    assert "Invented" not in text


def test_the_good_programme_of_these_tests_is_what_the_cases_change():
    assert "visits.csv" in SETTINGS
    assert "delimiter" in MAP
    assert "clinic,name" in CLINICS
