"""The analysis file: every foot, every declared column, and the dictionary that explains them."""

from datetime import date
from types import SimpleNamespace

import pandas as pd
import pytest

from analytics.definitions.foot_facts import FOOT
from analytics.errors import OutputError
from analytics.reports.analysis_file import write_analysis_file


def make_cohort(n=3):
    feet = pd.DataFrame({c.name: pd.Series([pd.NA] * n, dtype=c.dtype) for c in FOOT})
    feet["child"] = pd.array(["=SUM(A1)", "b", "c"][:n], dtype="string")
    feet["side"] = pd.array(["left"] * n, dtype="string")
    feet["started_on"] = pd.to_datetime([date(2024, 3, 1)] * n).astype("datetime64[s]")
    feet["pirani_start"] = pd.array([4.5, None, -1.0][:n], dtype="Float64")
    feet["is_corrected"] = pd.array([True, None, False][:n], dtype="boolean")
    feet["extra_district"] = pd.array(["@north", "-", "south"][:n], dtype="string")
    return SimpleNamespace(feet=feet)


def test_csv_keeps_numbers_days_and_what_is_missing(tmp_path):
    write_analysis_file(make_cohort(), tmp_path / "feet.csv")
    lines = (tmp_path / "feet.csv").read_text().splitlines()
    assert len(lines) == 4
    back = pd.read_csv(tmp_path / "feet.csv", dtype="string")
    assert list(back.columns) == [*(c.name for c in FOOT), "extra_district"]
    assert list(back["pirani_start"].fillna("")) == ["4.5", "", "-1.0"]
    assert list(back["is_corrected"].fillna("")) == ["True", "", "False"]
    assert list(back["started_on"]) == ["2024-03-01"] * 3


def test_text_that_a_spreadsheet_would_run_is_made_harmless_in_csv_only(tmp_path):
    write_analysis_file(make_cohort(), tmp_path / "feet.csv")
    back = pd.read_csv(tmp_path / "feet.csv", dtype="string")
    assert list(back["child"]) == ["'=SUM(A1)", "b", "c"]
    assert list(back["extra_district"]) == ["'@north", "'-", "south"]
    write_analysis_file(make_cohort(), tmp_path / "feet.parquet")
    assert pd.read_parquet(tmp_path / "feet.parquet")["child"][0] == "=SUM(A1)"


def test_parquet_keeps_the_types(tmp_path):
    cohort = make_cohort()
    write_analysis_file(cohort, tmp_path / "feet.parquet")
    back = pd.read_parquet(tmp_path / "feet.parquet", dtype_backend="numpy_nullable")
    assert back["is_corrected"].dtype == "boolean"
    assert back["pirani_start"].isna().tolist() == [False, True, False]
    assert back["n_casts"].dtype == "Int64"


def test_the_dictionary_explains_every_column_in_order(tmp_path):
    _, dictionary = write_analysis_file(make_cohort(), tmp_path / "feet.csv")
    assert dictionary == tmp_path / "feet.dictionary.csv"
    words = pd.read_csv(dictionary, keep_default_na=False).set_index("column")
    assert list(words.index) == [*(c.name for c in FOOT), "extra_district"]
    assert words.loc["age_start_days", "unit"] == "days"
    assert words.loc["sex", "allowed"] == "female; male"
    assert words.loc["pirani_start", "n_missing"] == 1
    assert (words["meaning"] != "").all()


@pytest.mark.parametrize("name", ["feet.xlsx", "feet", "feet.csv.gz"])
def test_another_ending_is_refused(tmp_path, name):
    with pytest.raises(OutputError, match=r"\.csv or \.parquet"):
        write_analysis_file(make_cohort(), tmp_path / name)
    assert list(tmp_path.iterdir()) == []


def test_a_folder_that_does_not_exist_is_one_message(tmp_path):
    with pytest.raises(OutputError, match="cannot be written"):
        write_analysis_file(make_cohort(), tmp_path / "none" / "feet.csv")
