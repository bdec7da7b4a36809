"""Tables: typed cells, words for what is missing, safe HTML."""

from __future__ import annotations

from html.parser import HTMLParser

import pandas as pd
import pytest
from shown import context, curve_result, estimates_frame

from analytics.definitions.policies import INTERNAL, PUBLIC
from analytics.display.tables import Cell, Column, Table, tabulate
from analytics.results import COMPARISON, EFFECTS, ESTIMATES, FLOW, Result
from analytics.sharing.protect import protect


def one(row: dict[str, object], policy: object = INTERNAL, **changes: object) -> Table:
    result = Result(ESTIMATES, estimates_frame([row]), context(**changes))  # type: ignore[arg-type]
    return tabulate(protect(result, policy))  # type: ignore[arg-type]


def cell(table: Table, column: str, row: int = 0) -> object:
    place = [c.name for c in table.columns].index(column)
    return table.rows[row][place]


def test_an_estimate_stands_with_interval_and_denominator() -> None:
    table = one({"n": 1300, "denominator": 1234, "numerator": 893, "outside": 66,
                 "lower": 0.681, "upper": 0.762})  # fmt: skip
    assert cell(table, "share").text == "72.4% (68.1–76.2)"
    assert cell(table, "share").value == pytest.approx(893 / 1234)
    assert cell(table, "denominator").text == "1,234"
    assert cell(table, "denominator").value == 1234


def test_an_estimate_over_nothing_is_said_to_be_not_estimable() -> None:
    table = one({"n": 9, "denominator": 0, "numerator": 0, "outside": 9})
    assert cell(table, "share").text == "not estimable"
    assert not cell(table, "share").withheld


def test_a_withheld_count_is_a_word_not_a_blank() -> None:
    table = one({"n": 50, "denominator": 50, "numerator": 2}, PUBLIC, n_feet=50)
    for column, words in (("numerator", "under 5"), ("share", "withheld")):
        assert cell(table, column).text == words
        assert cell(table, column).value is None
        assert cell(table, column).withheld
    assert any("not shown under 5" in note for note in table.notes)


def test_casts_are_written_as_numbers() -> None:
    row = {"measure": "casts_to_correction.median", "n": 50, "denominator": 50, "numerator": None,
           "estimate": 5.0, "lower": 4.5, "upper": 6.0}  # fmt: skip
    assert cell(one(row), "share").text == "5.0 (4.5–6.0)"


def test_rows_of_a_measure_stand_together() -> None:
    rows = [
        {"quarter": q, "measure": m, "n": 50, "denominator": 50, "numerator": 25}
        for q in ("2024Q1", "2024Q2")
        for m in ("tenotomy_rate", "initial_correction")
    ]
    table = tabulate(protect(Result(ESTIMATES, estimates_frame(rows), context(), ("quarter",)),
                             INTERNAL))  # fmt: skip
    names = [row[0].text for row in table.rows]
    assert names == sorted(names, reverse=True)
    assert [row[1].text for row in table.rows] == ["2024 Q1", "2024 Q2"] * 2


def test_the_table_of_a_curve_adds_up_to_all_at_every_time() -> None:
    rows = [(float(t), t % 3 == 0) for t in range(10, 800, 4)]
    for policy, n in ((INTERNAL, len(rows)), (PUBLIC, 200)):
        table = tabulate(protect(curve_result({"": rows}), policy))
        names = [column.name for column in table.columns]
        places = [names.index(c) for c in ("at_risk", "censored", "events")]
        assert len(table.rows) > 3
        assert {sum(row[p].value for p in places) for row in table.rows} == {n}


def test_effects_say_what_is_compared() -> None:
    lines = [
        ("pirani_start", "", "", 200, 50, 1.3, 1.1, 1.5, 0.0001),
        ("adherence_early", "not", "as_advised", 40, 30, 9.0, 0.4, 180.0, 0.2),
    ]
    frame = pd.DataFrame(lines, columns=list(EFFECTS.columns))
    table = tabulate(protect(Result(EFFECTS, frame, context("relapse_effects")), INTERNAL))
    assert "Hazard ratio of relapse (95% interval)" in table.header
    assert table.rows[0][0].text == "Initial Pirani score, per point"
    assert table.rows[1][0].text == "Use of the brace, as told: not used against as advised"
    assert cell(table, "estimate", 1).text == "9.00 (0.40–180)"
    assert cell(table, "p").text == "< 0.001"


class _Tags(HTMLParser):
    def __init__(self) -> None:
        super().__init__()
        self.tags: list[tuple[str, dict[str, str | None]]] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))


def hostile_table() -> Table:
    rows = [
        {"clinic": '<img src=x onerror="alert(1)">', "n": 50, "denominator": 50, "numerator": 25},
        {"clinic": "=2+2\u202e\x00\n", "n": 50, "denominator": 50, "numerator": 25},
    ]
    result = Result(ESTIMATES, estimates_frame(rows), context(), ("clinic",))
    return tabulate(protect(result, INTERNAL))


def test_html_has_caption_and_header_cells_and_nothing_from_outside() -> None:
    reader = _Tags()
    reader.feed(hostile_table().to_html())
    names = {tag for tag, _ in reader.tags}
    assert names == {"table", "caption", "thead", "tbody", "tr", "th", "td"}
    scopes = [attrs["scope"] for tag, attrs in reader.tags if tag == "th"]
    assert scopes.count("col") == len(hostile_table().columns)
    # One measure stands once for both of its clinics.
    assert scopes.count("rowgroup") == 1
    assert scopes.count("row") == 2


def test_every_kind_of_cell_and_heading_is_escaped() -> None:
    wild = '<b>"&'
    cells = (Cell(wild, wild, is_header=True), Cell(wild, wild))
    table = Table(wild, wild, (Column("a", wild), Column("b", wild)), (cells,))
    assert "<b>" not in table.to_html()
    assert table.to_html().count("&lt;b&gt;") == 5


def test_control_and_direction_marks_are_gone() -> None:
    text = hostile_table().to_text()
    assert "\u202e" not in text and "\x00" not in text
    assert len(text.splitlines()) == 4


def test_plain_text_is_the_same_twice_with_numbers_to_the_right() -> None:
    lines = [("started", 3046, 2998, "lost", 48), ("corrected", 98, 80, "lost", 18)]
    frame = pd.DataFrame(lines, columns=list(FLOW.columns))
    table = tabulate(protect(Result(FLOW, frame, context("feet")), INTERNAL))
    assert table.to_text() == table.to_text()
    header, first, second = table.to_text().splitlines()[1:]
    end = first.index("3,046") + len("3,046")
    assert second[:end].endswith("98")
    assert header[:end].endswith("Reached it")


def test_a_bare_result_is_refused() -> None:
    result = Result(ESTIMATES, estimates_frame([{"n": 1, "denominator": 1, "numerator": 1}]),
                    context())  # fmt: skip
    with pytest.raises(TypeError, match="disclosure policy"):
        tabulate(result)  # type: ignore[arg-type]


def along_time(n_series: int, n_quarters: int, first: str = "clinic") -> Table:
    """A table of series, each row with its own number."""
    columns = [Column(first, "Which"), Column("period", "Quarter"), Column("n", "n", True)]
    rows = [
        [Cell(f"C{i}", f"C{i}", is_header=True), Cell(f"Q{q}", f"Q{q}", is_header=True),
         Cell(i * 1000 + q, str(i * 1000 + q))]
        for i in range(n_series) for q in range(n_quarters)
    ]  # fmt: skip
    if n_series == 1:
        columns, rows = columns[1:], [row[1:] for row in rows]
    return Table("T", "T", tuple(columns), tuple(map(tuple, rows)))


@pytest.mark.parametrize(("n_series", "n_shown"), [(1, 40), (5, 40), (30, 10), (200, 4)])
def test_a_page_shows_the_latest_of_long_series_and_says_so_and_the_data_have_all(
    n_series: int, n_shown: int
) -> None:
    table = along_time(n_series, 60)
    html = table.to_html()
    for series in range(n_series):
        last = [series * 1000 + q for q in range(60 - n_shown, 60)]
        assert all(f">{number}</td>" in html for number in last)
        assert f">{last[0] - 1}</td>" not in html
    assert f"the latest {n_shown} of each. All {60 * n_series:,} rows" in html
    assert len(table.to_data()["rows"]) == 60 * n_series


def test_a_page_shows_all_of_what_is_short_or_does_not_follow_time() -> None:
    for table in (along_time(7, 40), along_time(1, 40)):
        assert table.n_latest == 0
        assert table.to_html().count("<td") == len(table.rows)
    columns = (Column("clinic", "Clinic"), Column("n", "n", True))
    rows = tuple((Cell(f"C{i}", f"C{i}", is_header=True), Cell(i, str(i))) for i in range(900))
    assert Table("T", "T", columns, rows).to_html().count("<td") == 900


def test_figures_by_clinic_are_called_adjusted_only_where_they_are() -> None:
    rows = [{"clinic": c, "n": 50, "denominator": 50, "numerator": 25} for c in "AB"]
    plain = Result(ESTIMATES, estimates_frame(rows), context("clinics_care"), ("clinic",))
    assert "Estimate (95% interval)" in tabulate(protect(plain, INTERNAL)).header
    lines = [(c, 25, 50, 25.0, 0.5, 0.5, 0.4, 0.6, "as_expected") for c in "AB"]
    frame = pd.DataFrame(lines, columns=list(COMPARISON.columns))
    adjusted = Result(COMPARISON, frame, context("clinics_tenotomy_rate"))
    assert "Adjusted (95% interval)" in tabulate(protect(adjusted, INTERNAL)).header
