"""The analysis file: one row per foot for statistics elsewhere, and a dictionary beside it."""

from __future__ import annotations

import tempfile
from pathlib import Path

import pandas as pd

from analytics.courses.cohort import Cohort
from analytics.definitions.foot_facts import FOOT
from analytics.definitions.hypotheses import STUDY_COLUMNS
from analytics.definitions.labels import label
from analytics.definitions.notebook_words import WRITTEN_IN
from analytics.errors import OutputError

ENDINGS = (".csv", ".parquet")

#: A spreadsheet takes a text that begins so for a formula.
_FORMULA_STARTS = ("=", "+", "-", "@", "\t", "\r")


def check_ending(file: Path) -> None:
    """Refuse a file name of any other kind; raises ``OutputError``."""
    if file.suffix not in ENDINGS:
        raise OutputError(
            f"the file ends in '{file.suffix}'",
            where=str(file),
            allowed=" or ".join(ENDINGS),
            todo="give a name with one of these endings",
        )


def write_analysis_file(
    cohort: Cohort, file: Path, language: str = WRITTEN_IN
) -> tuple[Path, Path]:
    """Write one row per foot and the dictionary of its columns; return both paths.

    Parameters
    ----------
    cohort
        Feet at the cut-off.
    file
        Ends in ``.csv`` or ``.parquet``; the dictionary stands beside it as
        ``<name>.dictionary.csv``.
    language
        Language of the meanings in the dictionary.

    Raises
    ------
    OutputError
        When the ending is another or the files cannot be written; what stood there stays.
    """
    check_ending(file)
    dictionary = file.with_name(f"{file.stem}.dictionary.csv")
    write_table(cohort.feet, file)
    write_table(describe_columns(cohort.feet, language), dictionary)
    return file, dictionary


def write_table(frame: pd.DataFrame, file: Path) -> None:
    """Write a table to a file ending in ``.csv`` or ``.parquet``; raises ``OutputError``."""
    try:
        _write(frame, file)
    except OSError as error:
        raise OutputError(
            f"the file cannot be written: {error.strerror or error}",
            where=str(error.filename or file),
            allowed="a folder that exists and may be written",
            todo="give another path",
        ) from error


def describe_columns(feet: pd.DataFrame, language: str = WRITTEN_IN) -> pd.DataFrame:
    """Return the dictionary of the columns of feet, one row per column, in order.

    Parameters
    ----------
    feet
        One row per foot.
    language
        Language of the meanings; names, kinds, units and codes are those of the file.

    Returns
    -------
    DataFrame
        ``column, kind, unit, meaning, allowed, n_missing``.
    """
    known = {column.name: column for column in (*FOOT, *STUDY_COLUMNS)}
    lines = []
    for name in feet.columns:
        column = known.get(name)
        lines.append(
            {
                "column": name,
                "kind": column.kind if column else "text",
                "unit": column.unit if column else "",
                "meaning": label(language, f"fact.{name}" if column else "define.carried"),
                "allowed": "; ".join(column.allowed) if column else "",
                "n_missing": int(feet[name].isna().sum()),
            }
        )
    return pd.DataFrame(lines)


def _write(frame: pd.DataFrame, file: Path) -> None:
    """Write beside the target, then move: a failed run leaves the last file as it was."""
    with tempfile.TemporaryDirectory(prefix=".talipes-", dir=file.absolute().parent) as folder:
        fresh = Path(folder) / file.name
        if file.suffix == ".csv":
            _harmless(frame).to_csv(fresh, index=False, date_format="%Y-%m-%d", lineterminator="\n")
        else:
            frame.to_parquet(fresh, index=False)
        fresh.replace(file)


def _harmless(frame: pd.DataFrame) -> pd.DataFrame:
    """Return the frame with an apostrophe before text that a spreadsheet would run."""
    safe = frame.copy()
    for name in frame.select_dtypes(["string", "object"]).columns:
        text = frame[name].astype("string")
        risky = text.str.startswith(_FORMULA_STARTS).fillna(False)
        safe[name] = text.mask(risky, "'" + text)
    return safe
