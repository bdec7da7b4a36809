"""What ``talipes trace`` writes: the feet and the source lines behind a number."""

from __future__ import annotations

from functools import partial
from pathlib import Path

import pandas as pd

from analytics.analyses.trace import count_units, trace
from analytics.definitions.labels import label
from analytics.display.definitions import name_indicator
from analytics.display.numbers import counted
from analytics.errors import RecordsError, SettingsError
from analytics.reports.analysis_file import check_ending, write_table
from analytics.reports.report import Report


def trace_lines(report: Report, code: str, *, clinic: str = "", quarter: str = "") -> pd.DataFrame:
    """Return the lines behind an indicator.

    Parameters
    ----------
    report
        Its policy must allow rows to be listed.
    code
        Code of an indicator.
    clinic, quarter
        Empty for all.

    Raises
    ------
    SettingsError
        When the policy does not allow it, or there is no such indicator.
    RecordsError
        When no foot has begun at that clinic or in that quarter.
    """
    if not report.policy.traceable:
        raise SettingsError(
            f"children may not be listed for the audience '{report.policy.audience}'",
            where="policy of the settings or --audience",
            allowed="an audience inside the programme, such as internal",
            todo="trace a number with the settings that internal pages are made with",
        )
    indicator = report.catalogue.get(code)
    feet = report.cohort.feet
    for column, wanted in (("clinic", clinic), ("quarter", quarter)):
        known = sorted(feet[column].dropna().unique())
        if wanted and wanted not in known:
            raise RecordsError(
                f"no foot counts under the {column} '{wanted}'",
                where=report.settings.file.name,
                allowed=", ".join(known) or "none: no foot has begun",
                todo="choose one of these",
            )
    parts = report.parts.each
    return trace(report.cohort, indicator, parts, clinic=clinic, quarter=quarter)


def tell_trace(report: Report, code: str, lines: pd.DataFrame) -> str:
    """Return the verdicts with their counts and every line, as plain text."""
    say = partial(label, report.language)
    indicator = report.catalogue.get(code)
    parts = [f"{name_indicator(indicator, report.language)} ({code})"]
    for verdict, n in count_units(lines, indicator).items():
        units = counted(n, indicator.unit, report.language)
        parts.append(f"{say(f'trace.{verdict}')}: {units}")
        shown = lines.loc[lines["verdict"].eq(verdict)]
        if len(shown) and verdict != "outside":
            parts.append(_table(shown.drop(columns="verdict")))
    return "\n\n".join(parts)


def write_trace(lines: pd.DataFrame, file: Path) -> None:
    """Write the lines to a file ending in ``.csv`` or ``.parquet``."""
    check_ending(file)
    write_table(lines, file)


def _table(lines: pd.DataFrame) -> str:
    text = lines.copy()
    for name in text.select_dtypes("datetime").columns:
        text[name] = text[name].dt.strftime("%Y-%m-%d")
    return text.astype("string").fillna("-").to_string(index=False)
