"""From a number back to the feet behind it and the lines they come from."""

from __future__ import annotations

from datetime import date
from pathlib import Path

import pandas as pd
import pytest
from drawn import cohort_of, drawn

from analytics.analyses.indicators import estimates
from analytics.analyses.trace import count_units, trace
from analytics.courses.cohort import Cohort
from analytics.courses.together import Parts
from analytics.definitions.indicators import INDICATORS
from analytics.definitions.policies import INTERNAL, PUBLIC
from analytics.errors import RecordsError, SettingsError
from analytics.intake.kept import Held
from analytics.intake.load import Programme
from analytics.reports.report import Report
from analytics.reports.settings import read_settings
from analytics.reports.tracing import tell_trace, trace_lines, write_trace

FEET = """
    child side  clinic quarter started_on is_corrected status
    a     left  A      2025Q1  2025-01-10 yes          in_care
    a     right A      2025Q1  2025-01-10 no           in_care
    b     left  A      2025Q1  2025-02-10 .            lost
    c     left  A      2025Q4  2025-12-10 yes          in_care
    d     left  B      2025Q1  2025-01-15 yes          in_care
    e     left  A      .       .          .            .
    """

VISITS = """
    child side  visited_on purpose file  sheet line
    a     left  2025-01-10 cast    x.csv .     2
    a     left  2025-01-17 cast    x.csv .     5
    a     right 2025-01-10 cast    x.csv .     3
    b     left  2025-02-10 cast    y.xls Feb   7
    c     left  2025-12-10 cast    x.csv .     9
    d     left  2025-01-15 cast    x.csv .     4
    e     left  2025-01-15 review  x.csv .     6
    """


@pytest.fixture
def cohort() -> Cohort:
    return cohort_of(FEET)


def parts_of(drawing: str = VISITS) -> list[Held]:
    """The drawn visits, those of one child in a part of their own."""
    visits = drawn(drawing).assign(
        visited_on=lambda t: pd.to_datetime(t["visited_on"]), line=lambda t: t["line"].astype(int)
    )
    apart = visits["child"] == "b"
    return [Held({"visits": visits[apart]}), Held({"visits": visits[~apart]})]


@pytest.fixture
def report(cohort: Cohort, tmp_path: Path) -> Report:
    file = tmp_path / "programme.toml"
    file.write_text(
        '[programme]\nname = "Demo"\ncut_off = 2026-01-01\nidentity_key = "k"\n'
        '[[source]]\npath = "x.csv"\nmap = "x.toml"\n',
        encoding="utf-8",
    )
    opened = Report(read_settings(file), INTERNAL)
    # What the cached property would have made from the exports.
    parts = Parts(tuple(parts_of()), (), Programme(date(2026, 1, 1)), date(2026, 1, 1))
    vars(opened).update(cohort=cohort, parts=parts)
    return opened


def test_lines_of_every_foot_asked_stand_under_its_verdict(cohort: Cohort) -> None:
    lines = trace(cohort, INDICATORS["initial_correction"], parts_of(), clinic="A")
    found = lines[["verdict", "lost", "child", "side", "file", "sheet", "line"]].astype("string")
    wanted = drawn(
        """
        verdict  lost  child side  file  sheet line
        yes      False a     left  x.csv .     2
        yes      False a     left  x.csv .     5
        no       False a     right x.csv .     3
        unknown  True  b     left  y.xls Feb   7
        immature False c     left  x.csv .     9
        outside  False e     left  x.csv .     6
        """
    )
    pd.testing.assert_frame_equal(found, wanted, check_dtype=False)
    assert {"is_corrected", "started_on", "status"} <= set(lines.columns)


@pytest.mark.parametrize("code", INDICATORS)
def test_traced_units_add_up_to_the_number_on_the_page(code: str, cohort: Cohort) -> None:
    indicator = INDICATORS[code]
    counts = count_units(trace(cohort, indicator, parts_of(), clinic="A"), indicator)
    frame = estimates(cohort, [indicator], by=["clinic"]).frame
    row = frame.loc[frame["clinic"].eq("A")].iloc[0]
    assert sum(counts.values()) == row["n"]
    if indicator.kind == "share":
        assert counts["yes"] == row["numerator"]
        assert counts["yes"] + counts["no"] == row["denominator"]
        assert counts["unknown"] == row["unknown"] and counts["immature"] == row["immature"]


def test_a_quarter_narrows_and_an_unknown_one_is_refused(report: Report) -> None:
    lines = trace_lines(report, "initial_correction", clinic="A", quarter="2025Q4")
    assert lines["child"].tolist() == ["c"]
    with pytest.raises(RecordsError, match="2025Q1, 2025Q4"):
        trace_lines(report, "initial_correction", quarter="2024Q1")
    with pytest.raises(RecordsError, match="A, B"):
        trace_lines(report, "initial_correction", clinic="C")


def test_nothing_is_listed_for_the_public(report: Report) -> None:
    public = Report(report.settings, PUBLIC)
    vars(public)["cohort"] = report.cohort
    with pytest.raises(SettingsError, match="may not be listed"):
        trace_lines(public, "initial_correction")


def test_told_and_written(report: Report, tmp_path: Path) -> None:
    lines = trace_lines(report, "initial_correction", clinic="A")
    text = tell_trace(report, "initial_correction", lines)
    assert "Yes (in numerator and denominator): 1 foot" in text
    assert "y.xls" in text and "x.csv      -    6" not in text
    write_trace(lines, tmp_path / "lines.csv")
    read = pd.read_csv(tmp_path / "lines.csv", dtype="string")
    assert read["line"].tolist() == lines["line"].astype("string").tolist()
