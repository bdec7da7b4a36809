"""Corrections that came back from clinics: applied with their own entries, or told why not."""

from datetime import date

import pandas as pd
import pytest
from intake_tables import KEY, draw

from analytics.errors import ExportFileError
from analytics.intake.corrections import OUTCOMES, read_corrections
from analytics.intake.load import Programme, load
from analytics.intake.map_parse import parse_map

HEAD = "file,sheet,line,action,column,before,after,rule,child,side,on,who,when\n"
TREE = {
    "name": "small",
    "shape": "long",
    "ignore": ["Note"],
    "child": {"id": ["No"], "link": ["Name"]},
    "columns": {
        "children": {"sex": "Sex", "extra_village": "Village"},
        "visits": {
            "clinic": "Clinic", "side": "Foot", "visited_on": "Date", "purpose": "Type",
            "pirani_total": "Pirani", "brace_hours": "Hours",
        },
    },
    "dates": {"formats": ["DD/MM/YYYY"]},
    "codes": {"side": {"left": ["L"], "right": ["R"]}, "sex": {"female": ["F"], "male": ["M"]}},
}  # fmt: skip

EXPORT = """
    No | Name  | Sex | Village | Clinic | Foot | Date       | Type | Pirani | Hours | Note
    1  | A One | F   | Ost     | N      | L    | 01/03/2024 | cast | 5      |       |
    1  | A One | F   | Ost     | N      | L    | 08/03/2024 | cast | 45     |       |
    1  | A One | F   | Ost     | N      | L    | 28/03/2024 | cast | 4      |       |
    2  | B Two | M   | West    | N      | R    | 02/03/2024 | cast | 6      |       | x
    2  | B Two | M   | West    | N      | R    | 32/03/2024 | cast | 5      |       |
    2  | B Two | M   | West    | N      | R    | 09/03/2024 | cast | 5      |       |
"""


def load_with(folder, *lines, export=EXPORT):
    rows = draw(export)
    text = "\n".join([",".join(rows[0]), *(",".join(row.values()) for row in rows)]) + "\n"
    (folder / "visits.csv").write_text(text)
    (folder / "corrections.csv").write_text(HEAD + "".join(f"{line}\n" for line in lines))
    corrections = read_corrections(folder / "corrections.csv")
    programme = Programme(date(2024, 4, 1), corrections=corrections)
    source = (folder / "visits.csv", parse_map(TREE, where="small.toml"))
    return load([source], key=KEY, programme=programme)


def correct(line, column, before, after):
    return f"visits.csv,,{line},correct,{column},{before},{after},,,,,Sr Ruiz,2024-04-02"


def child_of(records, line):
    visits = records.visits
    return visits.loc[visits["line"] == line, "child"].iloc[0]


def outcomes(records):
    return [*records.ledger.corrections["outcome"]]


def at_line(records, line):
    return records.visits[records.visits["line"] == line].iloc[0]


def test_without_corrections_the_faults_stand(tmp_path):
    records = load_with(tmp_path)
    fates = dict(zip(records.ledger.rows["line"], records.ledger.rows["fate"], strict=True))
    assert [line for line, fate in fates.items() if fate == "quarantined"] == [3, 6]
    assert outcomes(records) == []


def test_the_right_value_takes_the_place_of_the_wrong_one_and_the_ledger_has_both(tmp_path):
    records = load_with(
        tmp_path, correct(3, "Pirani", "45", "4.5"), correct(6, "Date", "32/03/2024", "22/03/2024")
    )
    assert set(records.ledger.rows["fate"]) == {"kept"}
    assert at_line(records, 3)["pirani_total"] == 4.5
    assert at_line(records, 6)["visited_on"] == pd.Timestamp("2024-03-22")
    assert outcomes(records) == ["applied", "applied"]
    made = records.ledger.amendments.query("rule == 'correction'")
    columns = ["line", "table", "column", "before", "after"]
    assert made[columns].to_numpy().tolist() == [
        [3, "visits", "pirani_total", "45", "4.5"],
        [6, "visits", "visited_on", "32/03/2024", "22/03/2024"],
    ]


@pytest.mark.parametrize(
    "line, outcome",
    [
        (correct(3, "Pirani", "44", "4.5"), "before_differs"),
        (correct(99, "Pirani", "45", "4.5"), "no_line"),
        (correct(3, "Piranha", "45", "4.5"), "no_column"),
        (correct(5, "Note", "x", "y"), "no_column"),
        (correct(3, "No", "1", "2"), "identifier"),
        (correct(3, "Name", "A One", "B Two"), "identifier"),
        ("other.csv,,3,correct,Pirani,45,4.5,,,,,Sr Ruiz,2024-04-02", "no_line"),
        ("visits.csv,Sheet1,3,correct,Pirani,45,4.5,,,,,Sr Ruiz,2024-04-02", "no_line"),
        ("visits.csv,,5,remove row,,,,,,,,Sr Ruiz,2024-04-02", "child_differs"),
        ("visits.csv,,5,remove row,,,,,abcd,,,Sr Ruiz,2024-04-02", "child_differs"),
        ("visits.csv,,3,confirm as is,,,,R06,,,,Sr Ruiz,2024-04-02", "hard_rule"),
        ("visits.csv,,5,confirm as is,,,,R11,,,,Sr Ruiz,2024-04-02", "no_fault"),
    ],
)
def test_what_does_not_fit_is_told_and_changes_nothing(tmp_path, line, outcome):
    plain, tried = load_with(tmp_path), load_with(tmp_path, line)
    assert outcomes(tried) == [outcome]
    pd.testing.assert_frame_equal(plain.visits, tried.visits)
    pd.testing.assert_frame_equal(plain.ledger.rows, tried.ledger.rows)
    pd.testing.assert_frame_equal(plain.ledger.flags, tried.ledger.flags)
    pd.testing.assert_frame_equal(plain.ledger.amendments, tried.ledger.amendments)


def test_a_row_that_its_clinic_takes_back_is_set_aside_without_a_fault(tmp_path):
    child = child_of(load_with(tmp_path), 7)
    records = load_with(tmp_path, f"visits.csv,,7,remove row,,,,,{child},,,Sr Ruiz,2024-04-02")
    row = records.ledger.rows.query("line == 7").iloc[0]
    assert (row["fate"], row["reason"]) == ("quarantined", "removed")
    assert 7 not in set(records.visits["line"])
    assert "removed" not in set(records.ledger.flags["rule"])
    assert outcomes(records) == ["applied"]
    records.ledger.balance()


def test_a_confirmation_silences_that_fault_of_that_line_alone(tmp_path):
    export = EXPORT.replace("| 45 ", "| 4  ")
    plain = load_with(tmp_path, export=export)
    flags = plain.ledger.flags
    asked = flags[(flags["rule"] == "R11") & (flags["line"] == 4)]
    assert len(asked) == 1
    child = child_of(plain, 4)
    line = f"visits.csv,,4,confirm as is,,,,R11,{child},left,2024-03-28,Sr Ruiz,2024-04-02"
    records = load_with(tmp_path, line, export=export)
    assert outcomes(records) == ["applied"]
    rest = flags.drop(index=asked.index).reset_index(drop=True)
    pd.testing.assert_frame_equal(records.ledger.flags, rest)
    pd.testing.assert_frame_equal(records.visits, plain.visits)
    for wrong in (line.replace(",left,", ",right,"), line.replace("03-28", "03-27")):
        assert outcomes(load_with(tmp_path, wrong, export=export)) == ["no_fault"]
    another = line.replace(child, "another")
    assert outcomes(load_with(tmp_path, another, export=export)) == ["child_differs"]


def test_a_correction_of_a_correction_follows_it(tmp_path):
    records = load_with(tmp_path, correct(3, "Pirani", "45", "4"), correct(3, "Pirani", "4", "4.5"))
    assert at_line(records, 3)["pirani_total"] == 4.5
    assert outcomes(records) == ["applied", "applied"]


def test_a_corrected_code_is_read_as_if_it_had_always_stood_there(tmp_path):
    export = EXPORT.replace("| F   |", "| girl |", 1)
    records = load_with(tmp_path, correct(2, "Sex", "girl", "F"), export=export)
    assert outcomes(records) == ["applied"]
    assert "female" in set(records.children["sex"])


def test_no_text_of_a_correction_that_could_name_a_person_is_kept(tmp_path):
    records = load_with(tmp_path, correct(2, "Village", "Ost", "behind Ama Owusu"))
    book = records.ledger.corrections
    assert book["outcome"].tolist() == ["applied"]
    kept = book.to_csv() + records.ledger.amendments.to_csv()
    assert "Ama" not in kept
    assert "(text of 16 signs)" in kept


@pytest.mark.parametrize(
    "text, says",
    [
        ("file,line,action,who\na.csv,3,correct,x\n", "no heading 'when'"),
        ("file,line,action,who,when,colum\na.csv,3,correct,x,2024-01-01,y\n", "did you mean"),
        (HEAD + "a.csv,,3,delete,,,,,,,,x,2024-01-01\n", "the action is 'delete'"),
        (HEAD + "a.csv,,3,correct,,4,5,,,,,x,2024-01-01\n", "'column' is empty"),
        (HEAD + "a.csv,,3,correct,Pirani,5,5,,,,,x,2024-01-01\n", "are the same"),
        (HEAD + "a.csv,,three,correct,Pirani,4,5,,,,,x,2024-01-01\n", "the line is 'three'"),
        (HEAD + "a.csv,,3,confirm as is,,,,R99,,,,x,2024-01-01\n", "no rule 'R99'"),
        (HEAD + "a.csv,,3,remove row,,,,,k,,,x,01/02/2024\n", "'when' is '01/02/2024'"),
        (HEAD + "a.csv,,3,remove row,,,,,k,,,,2024-01-01\n", "'who' is empty"),
        (HEAD + "a.csv,,3,remove row\n", "fewer cells"),
    ],
)
def test_a_line_that_cannot_be_used_is_one_message_with_its_place(tmp_path, text, says):
    path = tmp_path / "corrections.csv"
    path.write_text(text)
    with pytest.raises(ExportFileError, match="corrections.csv") as caught:
        read_corrections(path)
    assert says in str(caught.value)
    assert caught.value.todo


def test_a_file_with_headings_alone_holds_no_correction(tmp_path):
    path = tmp_path / "corrections.csv"
    path.write_text(HEAD)
    assert len(read_corrections(path)) == 0


def test_every_outcome_has_words():
    from analytics.definitions.labels import labels, languages

    for language in languages():
        for outcome in OUTCOMES:
            assert labels(language)[f"correction.outcome.{outcome}"]


TWO_NUMBERS = """
    No | Name  | Sex | Village | Clinic | Foot | Date       | Type | Pirani | Hours | Note
    1  | A One | F   | Ost     | N      | L    | 01/03/2024 | cast | 5      |       |
    2  | A One | F   | Ost     | M      | L    | 08/03/2024 | cast | 4      |       |
    3  | C Tri | F   | Ost     | M      | L    | 08/03/2024 | cast | 4      |       |
"""


def test_two_numbers_that_a_person_confirmed_are_one_child(tmp_path):
    plain = load_with(tmp_path, export=TWO_NUMBERS)
    first, second = child_of(plain, 2), child_of(plain, 3)
    line = f",,,same child,,,{first},,{second},,,Sr Ruiz,2024-04-02"
    records = load_with(tmp_path, line, export=TWO_NUMBERS)
    assert outcomes(records) == ["applied"]
    assert child_of(records, 2) == child_of(records, 3) == first
    assert len(records.children) == len(plain.children) - 1 == 2
    assert outcomes(load_with(tmp_path, line.replace(second, "nobody"), export=TWO_NUMBERS)) == [
        "no_line"
    ]
    third = child_of(plain, 4)
    chain = f",,,same child,,,{second},,{third},,,Sr Ruiz,2024-04-02"
    assert len(load_with(tmp_path, chain, line, export=TWO_NUMBERS).children) == 1
    with pytest.raises(ExportFileError, match="said to be the first"):
        load_with(tmp_path, line, f",,,same child,,,{second},,{first},,,x,2024-04-02")
