"""The round of a correction: a workbook to the clinic, its answers back, the next records right."""

import io
from pathlib import Path

import pytest
import xlsxwriter
from python_calamine import CalamineWorkbook

from analytics.definitions.labels import label
from analytics.errors import ExportFileError, SettingsError
from analytics.intake.close import total_records
from analytics.intake.corrections import read_corrections
from analytics.reports.answers import add_answers
from analytics.reports.fixing import build_records_to_fix
from analytics.reports.pairs import build_pairs, list_pairs
from analytics.reports.report import Report
from analytics.reports.speaking import tell_error

MAP = """
name = "small"
shape = "long"
drop = ["Name"]
[child]
id = ["No"]
[columns.visits]
clinic = "Clinic"
side = "Foot"
visited_on = "Date"
purpose = "Type"
pirani_total = "Pirani"
[codes.side]
left = ["L"]
right = ["R"]
"""
EXPORT = """No,Name,Clinic,Foot,Date,Type,Pirani
1,A One,N,L,2024-03-01,cast,5
1,A One,N,L,2024-03-08,cast,4
1,A One,N,L,2024-03-28,cast,45
2,B Two,N,R,2024-03-02,cast,6
2,B Two,N,R,2024-03-22,cast,4
3,C Tri,M,R,2024-03-26,cast,8
"""
SETTINGS = """
corrections = "corrections.csv"
[programme]
name = "Small"
cut_off = 2024-04-01
language = "LANGUAGE"
identity_key = "a key for tests alone"
[[source]]
path = "visits.csv"
map = "map.toml"
"""


def write_settings(folder: Path, language: str = "es") -> Path:
    (folder / "map.toml").write_text(MAP)
    (folder / "visits.csv").write_text(EXPORT)
    path = folder / "programme.toml"
    path.write_text(SETTINGS.replace("LANGUAGE", language))
    return path


def open_report(path: Path) -> Report:
    if not path.with_name("corrections.csv").exists():
        path.with_name("corrections.csv").write_text(
            "file,sheet,line,action,column,before,after,rule,child,side,on,who,when\n"
        )
    return Report.open(path)


def answer(content: bytes, target: Path, answers: dict[tuple[int, str], dict[str, str]]) -> Path:
    """Fill in answers by line and rule, as a clinic would, and save the workbook anew."""
    book = CalamineWorkbook.from_filelike(io.BytesIO(content))
    with xlsxwriter.Workbook(target) as made:
        for name in book.sheet_names:
            rows = book.get_sheet_by_name(name).to_python(skip_empty_area=False)
            heads = next((row for row in rows if len(row) > 10 and all(row)), [])
            for row in rows:
                given = answers.get((int(row[2]), row[6]), {}) if _is_fault(row) else {}
                for head, value in given.items():
                    row[heads.index(head)] = value
            tab = made.add_worksheet(name)
            for number, row in enumerate(rows):
                tab.write_row(number, 0, [str(c) if hasattr(c, "year") else c for c in row])
    return target


def _is_fault(row):
    return len(row) > 10 and isinstance(row[2], float)


def heads(language):
    names = ("answer", "column", "value", "who", "when")
    return [label(language, f"workbook.fix.{name}") for name in names]


def fix_books(report):
    return dict(build_records_to_fix(report.parts.each, report.cohort, report.settings))


def words(language, action):
    return label(language, f"correction.action.{action}")


def reply(language, *cells):
    return dict(zip(heads(language), cells, strict=True))


@pytest.mark.parametrize("language", ["en", "fr", "es", "pt"])
def test_answers_of_a_clinic_are_in_the_next_records(tmp_path, language):
    settings = write_settings(tmp_path, language)
    report = open_report(settings)
    books = fix_books(report)
    assert sorted(books) == ["clinic-M.xlsx", "clinic-N.xlsx"]
    done = ("Sr Ruiz", "2024-04-05")
    sent_back = answer(books["clinic-N.xlsx"], tmp_path / "n.xlsx", {
        (4, "R06"): reply(language, "", "Pirani", "4.5", *done),
        (6, "R11"): reply(language, words(language, "confirm as is"), "", "", *done),
    })  # fmt: skip
    other = answer(books["clinic-M.xlsx"], tmp_path / "m.xlsx", {
        (7, "R06"): reply(language, words(language, "remove row"), "", "", *done),
    })  # fmt: skip
    path, n_added = add_answers(report.settings, [sent_back, other])
    assert (path.name, n_added) == ("corrections.csv", 3)
    book = read_corrections(path)
    assert book.loc[0, ["line", "column", "before", "after"]].tolist() == [
        "4",
        "Pirani",
        "45",
        "4.5",
    ]
    again = Report.open(settings).records
    assert again.ledger.corrections["outcome"].tolist() == ["applied"] * 3
    fates = dict(zip(again.ledger.rows["line"], again.ledger.rows["reason"], strict=True))
    assert fates[7] == "removed"
    flags = set(zip(again.ledger.flags["line"], again.ledger.flags["rule"], strict=True))
    assert not flags & {(4, "R06"), (6, "R11"), (7, "R06")}
    assert again.visits.set_index("line").loc[4, "pirani_total"] == 4.5
    assert add_answers(report.settings, [sent_back, other]) == (path, 0)


def test_a_later_answer_replaces_the_earlier_one(tmp_path):
    settings = write_settings(tmp_path)
    report = open_report(settings)
    book = fix_books(report)["clinic-N.xlsx"]
    for value, n_lines in (("4.5", 1), ("3.5", 1)):
        given = {(4, "R06"): reply("es", "", "Pirani", value, "Ruiz", "2024-04-05")}
        add_answers(report.settings, [answer(book, tmp_path / "n.xlsx", given)])
        assert len(read_corrections(tmp_path / "corrections.csv")) == n_lines
    assert Report.open(settings).records.visits.set_index("line").loc[4, "pirani_total"] == 3.5


@pytest.mark.parametrize(
    "cells, says",
    [
        (("", "Piranha", "4", "Ruiz", "2024-04-05"), "¿quiso decir 'Pirani'?"),
        (("", "Name", "Ada", "Ruiz", "2024-04-05"), "no nombre a ningún niño"),
        (("", "No", "2", "Ruiz", "2024-04-05"), "no nombre a ningún niño"),
        (("", "Pirani", "4.5", "", "2024-04-05"), "está vacío"),
        (("ja", "", "", "Ruiz", "2024-04-05"), "la respuesta es 'ja'"),
    ],
)
def test_an_answer_that_does_not_fit_is_one_message_and_nothing_is_written(tmp_path, cells, says):
    report = open_report(write_settings(tmp_path))
    book = fix_books(report)["clinic-N.xlsx"]
    sent_back = answer(book, tmp_path / "n.xlsx", {(4, "R06"): reply("es", *cells)})
    with pytest.raises(ExportFileError) as caught:
        add_answers(report.settings, [sent_back])
    told = tell_error(str(caught.value), "es")
    assert says in told
    assert "n.xlsx, hoja 'N', línea" in told
    assert len(read_corrections(tmp_path / "corrections.csv")) == 0


def test_another_workbook_is_refused(tmp_path):
    report = open_report(write_settings(tmp_path))
    path = tmp_path / "other.xlsx"
    with xlsxwriter.Workbook(path) as book:
        book.add_worksheet().write_row(0, 0, ["File", "Line"])
    with pytest.raises(ExportFileError, match="no sheet of records to fix"):
        add_answers(report.settings, [path])
    (tmp_path / "text.xlsx").write_text("no workbook")
    with pytest.raises(ExportFileError, match="cannot be read"):
        add_answers(report.settings, [tmp_path / "text.xlsx"])


def test_settings_without_a_file_of_corrections_say_how_to_name_one(tmp_path):
    path = write_settings(tmp_path)
    path.write_text(path.read_text().replace('corrections = "corrections.csv"\n', ""))
    with pytest.raises(SettingsError, match="corrections = "):
        add_answers(Report.open(path).settings, [])


PAIRED_MAP = MAP.replace('drop = ["Name"]', "").replace(
    "[columns.visits]", 'link = ["Name"]\n[columns.children]\nbirth_on = "Born"\n[columns.visits]'
)
PAIRED = """No,Name,Born,Clinic,Foot,Date,Type,Pirani
1,A One,2024-02-01,N,L,2024-03-01,review,5
7,a one,2024-02-01,M,L,2024-03-08,review,4
3,C Tri,2024-02-01,M,R,2024-03-26,review,4
"""


def pair_report(folder: Path, language: str) -> Report:
    settings = write_settings(folder, language)
    (folder / "map.toml").write_text(PAIRED_MAP)
    (folder / "visits.csv").write_text(PAIRED)
    return open_report(settings)


def answer_pair(report: Report, target: Path, said: str) -> Path:
    book = CalamineWorkbook.from_filelike(
        io.BytesIO(build_pairs(report.cohort.totals.doubles, report.settings) or b"")
    )
    language = report.language
    with xlsxwriter.Workbook(target) as made:
        rows = book.get_sheet_by_index(1).to_python(skip_empty_area=False)
        place = {head: at for row in rows if all(row) for at, head in enumerate(row)}
        given = {"answer": label(language, f"pair.{said}"), "who": "Ruiz", "when": "2024-04-05"}
        for name, text in given.items():
            rows[-1][place[label(language, f"pair.{name}")]] = text
        for number, row in enumerate(rows):
            tab = made.get_worksheet_by_name("x") or made.add_worksheet("x")
            tab.write_row(number, 0, [str(c) if hasattr(c, "year") else c for c in row])
    return target


@pytest.mark.parametrize("language", ["en", "pt"])
def test_two_numbers_are_one_child_when_a_person_says_so(tmp_path, language):
    report = pair_report(tmp_path, language)
    pairs = list_pairs(report.cohort.totals.doubles)
    shown = ["likeness", "clinic_1", "line_1", "clinic_2", "line_2"]
    assert pairs[shown].to_numpy().tolist() == [[9, "N", 2, "M", 3]]
    assert len(report.records.children) == 3
    path = answer_pair(report, tmp_path / "pairs.xlsx", "one_child")
    assert add_answers(report.settings, [path])[1] == 1
    again = Report.open(report.settings.file).records
    assert len(again.children) == 2
    assert again.ledger.corrections["outcome"].tolist() == ["applied"]
    assert build_pairs(total_records(again).doubles, report.settings) is None


def test_two_children_who_only_look_alike_are_asked_about_no_more(tmp_path):
    report = pair_report(tmp_path, "fr")
    path = answer_pair(report, tmp_path / "pairs.xlsx", "two_children")
    assert add_answers(report.settings, [path])[1] == 2
    again = Report.open(report.settings.file).records
    assert len(again.children) == 3
    assert "R04" not in set(again.ledger.flags["rule"])
