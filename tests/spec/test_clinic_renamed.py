"""A clinic renamed between quarters keeps one history: its former codes are read as today's."""

from __future__ import annotations

from pathlib import Path

import pandas as pd
import pytest
from small_programme import MAP, write_programme

from analytics.analyses import trends
from analytics.definitions.indicators import INDICATORS
from analytics.errors import ExportFileError
from analytics.intake.clinics import read_clinics
from analytics.reports.report import Report

RENAMED = """clinic,name,country,opened_on,closed_on,formerly
K1,First,XV,2021-01-01,,
K9,Second,XV,2021-01-01,,K2 ; Second clinic
"""
CODES = '\n[codes.clinic]\nK1 = ["Clinic one"]\nK2 = ["Clinic two"]\n'
CORRECTION = INDICATORS["initial_correction"]


def programme(folder: Path, *, clinics: str, source_map: str = MAP) -> Path:
    settings = write_programme(folder)
    (folder / "clinics.csv").write_text(clinics, encoding="utf-8")
    (folder / "map.toml").write_text(source_map, encoding="utf-8")
    return settings


def rename_from(folder: Path, day: str, *, texts: dict[str, str]) -> None:
    """Write other texts for clinics into the export, from a day on or throughout."""
    file = folder / "visits.csv"
    visits = pd.read_csv(file, dtype="string", keep_default_na=False)
    late = visits["Day"] >= day
    visits["Clinic"] = visits["Clinic"].where(~late, visits["Clinic"].replace(texts))
    visits.to_csv(file, index=False)


@pytest.mark.parametrize(
    ("source_map", "texts"),
    [
        (MAP, {"K2": "K9"}),
        (MAP, {"K2": "second  CLINIC"}),
        (MAP + CODES, {"K1": "Clinic one", "K2": "Clinic two"}),
    ],
    ids=["codes", "a former name", "texts that the map names"],
)
def test_one_history(tmp_path: Path, source_map: str, texts: dict[str, str]) -> None:
    cohort = Report.open(programme(tmp_path, clinics=RENAMED, source_map=source_map)).cohort
    other = tmp_path / "other"
    other.mkdir()
    settings = programme(other, clinics=RENAMED, source_map=source_map)
    rename_from(other, "2024-01-01", texts=texts)
    renamed = Report.open(settings).cohort
    assert set(renamed.feet["clinic"]) == {"K1", "K9"}
    pd.testing.assert_frame_equal(renamed.feet, cohort.feet)
    one, two = (trends.trend_of_clinics(c, CORRECTION).frame for c in (cohort, renamed))
    pd.testing.assert_frame_equal(one, two)
    periods = two.loc[two["clinic"].eq("K9"), "period"]
    assert periods.min() < "2023Q1" < "2024Q1" < periods.max()


def test_without_the_former_code_the_old_name_is_asked_about(tmp_path: Path) -> None:
    settings = programme(tmp_path, clinics=RENAMED.replace("K2 ; Second clinic", ""))
    with pytest.raises(Exception, match="K2"):
        _ = Report.open(settings).records


@pytest.mark.parametrize("former", ["K1", "K7; K7"])
def test_a_former_code_belongs_to_one_clinic(tmp_path: Path, former: str) -> None:
    file = tmp_path / "clinics.csv"
    file.write_text(RENAMED.replace("K2 ; Second clinic", former), encoding="utf-8")
    with pytest.raises(ExportFileError, match="code of another clinic"):
        read_clinics(file)
