"""The workbook of all tables and that of records to fix: from shown blocks, from the ledger."""

import io
from dataclasses import replace
from datetime import date
from types import SimpleNamespace

import pandas as pd
from python_calamine import CalamineWorkbook
from shown import context, curve_result, estimates_frame

from analytics.definitions.labels import label
from analytics.definitions.policies import INTERNAL, PUBLIC
from analytics.display.block import Block
from analytics.intake.kept import Held
from analytics.intake.ledger import FLAG_COLUMNS
from analytics.intake.totals import no_totals, sum_faults
from analytics.reports.fixing import build_records_to_fix
from analytics.reports.tables import build_tables
from analytics.results import ESTIMATES, Result
from analytics.sharing.protect import protect

SETTINGS = SimpleNamespace(language="en", cut_off=date(2025, 3, 31), sources=())
WITHHELD = label("en", "word.withheld")


def by_quarter(*shares):
    rows = [
        {"quarter": f"2024Q{i}", "n": n, "numerator": yes, "denominator": n}
        for i, (yes, n) in enumerate(shares, start=1)
    ]
    frame = estimates_frame(rows)
    return Result(ESTIMATES, frame, context("indicators"), ("quarter",))


def block(result, policy=INTERNAL):
    return Block(protect(result, policy)).to_data()


def sheets(data):
    book = CalamineWorkbook.from_filelike(io.BytesIO(data))
    return {name: book.get_sheet_by_name(name).to_python() for name in book.sheet_names}


def table_of(rows, first_head):
    top = [row[0] for row in rows].index(first_head)
    return pd.DataFrame(rows[top + 1 :], columns=rows[top])


def test_counts_shares_and_limits_are_numbers_with_their_denominator():
    made = sheets(build_tables([block(by_quarter((30, 40), (10, 50)))], SETTINGS))
    table = table_of(made["indicators_by_quarter"], "Measure")
    assert table["Of these, yes"].tolist() == [30.0, 10.0]
    assert table["Counted"].tolist() == [40.0, 50.0]
    assert table["Estimate (95% interval)"].tolist() == [0.75, 0.2]
    assert table["Lower limit"].round(9).tolist() == [0.65, 0.1]
    assert table["Upper limit"].round(9).tolist() == [0.85, 0.3]


def test_limits_stand_beside_their_own_figure_when_several_measures_are_split():
    rows = [
        {"quarter": quarter, "measure": measure, "n": 50, "denominator": 50, "numerator": yes,
         "lower": yes / 50 - 0.01, "upper": yes / 50 + 0.01}
        for quarter, first, second in (("2024Q1", 40, 10), ("2024Q2", 3, 20), ("2024Q3", 30, 25))
        for measure, yes in (("initial_correction", first), ("tenotomy_rate", second))
    ]  # fmt: skip
    result = Result(ESTIMATES, estimates_frame(rows), context("indicators"), ("quarter",))
    shown = sheets(build_tables([block(result)], SETTINGS))["indicators_by_quarter"]
    table = table_of(shown, "Measure")
    estimate = table["Estimate (95% interval)"]
    assert (table["Lower limit"] - estimate).round(9).tolist() == [-0.01] * 6
    assert (table["Upper limit"] - estimate).round(9).tolist() == [0.01] * 6
    small = sheets(build_tables([block(result, PUBLIC)], SETTINGS))["indicators_by_quarter"]
    table = table_of(small, "Measure")
    withheld = table["Estimate (95% interval)"].eq(WITHHELD)
    assert withheld.any()
    assert table["Lower limit"].eq(WITHHELD).tolist() == withheld.tolist()


def test_a_sheet_names_the_unit_that_its_rows_count():
    row = {"measure": "early_start_6w", "n": 50, "denominator": 50, "numerator": 25}
    result = Result(ESTIMATES, estimates_frame([row]), context("indicators"))
    rows = sheets(build_tables([block(result)], SETTINGS))["indicators"]
    assert "Unit of count: children" in [line[0] for line in rows]
    assert rows[0][0].endswith("(children)")


def test_each_sheet_states_what_is_counted_and_how():
    rows = sheets(build_tables([block(by_quarter((30, 40)))], SETTINGS))["indicators_by_quarter"]
    above = "\n".join(str(row[0]) for row in rows[:6])
    assert "Unit of count: feet" in above
    assert "Method: " in above


def test_what_is_withheld_says_so_in_every_cell_and_its_number_is_nowhere():
    result = by_quarter((3, 40), (22, 50), (31, 60))
    rows = sheets(build_tables([block(result, PUBLIC)], SETTINGS))["indicators_by_quarter"]
    table = table_of(rows, "Measure")
    small = table.iloc[0]
    assert small["Of these, yes"] == "under 5"
    for head in ("Estimate (95% interval)", "Lower limit", "Upper limit"):
        assert small[head] == WITHHELD, head
    cells = [cell for row in rows for cell in row if isinstance(cell, float)]
    assert not [cell for cell in cells if cell in (3.0, 3 / 40)]


def test_a_curve_has_its_table_and_every_step():
    ends = {"": [(float(day), day % 3 == 0) for day in range(30, 930, 5)]}
    result = curve_result(ends)
    shown = block(result)
    made = sheets(build_tables([shown], SETTINGS))
    assert list(made) == ["Read me", "relapse", "relapse every step"]
    steps = table_of(made["relapse every step"], "State")
    assert len(steps) == len(shown["frame"])
    assert steps["Still followed"].tolist() == [row["at_risk"] for row in shown["frame"]]


def test_a_table_that_two_pages_show_stands_once_and_the_first_sheet_lists_all():
    one, two = block(by_quarter((30, 40))), block(by_quarter((30, 41)))
    made = sheets(build_tables([one, two, one], SETTINGS))
    assert list(made) == ["Read me", "indicators_by_quarter", "indicators_by_quarter (2)"]
    assert [row[0] for row in made["Read me"][-2:]] == list(made)[1:]


def records(*flags):
    frame = pd.DataFrame(flags, columns=FLAG_COLUMNS)
    frame["on"] = pd.to_datetime(frame["on"])
    frame["line"] = frame["line"].astype("Int64")
    clinics = pd.DataFrame({"clinic": ["K1", "K2"], "name": ["First", None]}, dtype="string")
    totals = replace(no_totals(), faults=sum_faults(frame))
    return [Held({"book_flags": frame})], SimpleNamespace(totals=totals, clinics=clinics)


SOFT = ("a.csv", "", 7, "visits", "K1", "p1", "left", "2024-05-01", "R15", "soft",
        "days_without_brace=30")  # fmt: skip
LESS = ("a.csv", "", 5, "visits", "K1", "p1", "left", "2024-05-01", "R09", "soft", "rise=1.5")
HARD = ("a.csv", "", 9, "visits", "K1", "p2", "right", "2031-01-01", "R02", "hard",
        "visited_on=2031-01-01")  # fmt: skip
TOTAL = ("a.csv", "", 99, "children", "K1", None, None, None, "total_row", "hard", "")
ABOUT_CLINIC = (None, None, None, "visits", "K1", None, None, None, "R26", "soft", "")
NOWHERE = ("b.xlsx", "S", 3, "children", None, None, None, None, "missing", "hard", "child missing")


def test_each_clinic_has_its_own_workbook_with_what_matters_most_first_and_room_to_answer():
    made = dict(build_records_to_fix(*records(LESS, SOFT, HARD, TOTAL, NOWHERE), SETTINGS))
    assert sorted(made) == ["clinic-K1.xlsx", "no_clinic.xlsx"]
    assert list(sheets(made["no_clinic.xlsx"])) == ["Read me", "No clinic recorded"]
    table = table_of(sheets(made["clinic-K1.xlsx"])["K1"], "File")
    assert table["Check"].tolist() == ["R02", "R15", "R09"]
    assert table["Line"].tolist() == [9.0, 7.0, 5.0]
    assert table["Day"].tolist()[:2] == [date(2031, 1, 1), date(2024, 5, 1)]
    assert table["In the report"].tolist()[:2] == [
        "kept out of the numbers",
        "counted, please check",
    ]
    assert table["Found"].tolist() == [
        "day of the visit: 2031-01-01",
        "30 days from the last cast to the brace",
        "rise of 1.5 points",
    ]
    assert table["Figures that this can change"].tolist()[0].startswith("every indicator")
    assert (table["What to do"] != "").all()
    assert list(table.columns[-5:]) == [
        "Your answer", "Column to correct", "Right value", "Answered by", "On (year-month-day)",
    ]  # fmt: skip
    assert (table.iloc[:, -5:] == "").all(axis=None)


def test_a_clinic_reads_nothing_of_another():
    other = tuple("K2" if cell == "K1" else cell for cell in HARD)
    made = dict(build_records_to_fix(*records(SOFT, (*other[:5], "secret2", *other[6:])), SETTINGS))
    assert "secret2" not in str(sheets(made["clinic-K1.xlsx"]))
    assert "secret2" in str(sheets(made["clinic-K2.xlsx"]))


def test_a_question_about_a_clinic_is_no_record_to_fix():
    assert [*build_records_to_fix(*records(ABOUT_CLINIC), SETTINGS)] == []


def test_the_same_records_give_the_same_bytes():
    assert [*build_records_to_fix(*records(SOFT, HARD), SETTINGS)] == [
        *build_records_to_fix(*records(HARD, SOFT), SETTINGS)
    ]
