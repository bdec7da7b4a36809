"""The workbook of records to fix: one sheet for each clinic, with a column to answer in."""

from __future__ import annotations

from functools import partial
from typing import Any

import pandas as pd

from analytics.definitions.checks import CHECKS
from analytics.definitions.labels import label, labels
from analytics.intake.records import Records
from analytics.reports.settings import Settings
from analytics.reports.workbook import Sheet, build_workbook

#: Columns of a sheet that come from the ledger as they are; words and the answer follow.
LEDGER_COLUMNS = ("file", "sheet", "line", "child", "side", "on", "rule", "severity", "found")
WORD_COLUMNS = ("what", "todo", "answer")


def build_records_to_fix(records: Records, settings: Settings) -> bytes:
    """Return the workbook of every record that failed a check.

    Parameters
    ----------
    records
        With the faults found in their ledger.
    settings
        For the cut-off and the language.
    """
    faults = list_faults(records.ledger.flags)
    names = _clinic_names(records.clinics)
    sheets = [
        _build_sheet(clinic, names.get(clinic, ""), part, settings.language)
        for clinic, part in faults.groupby("clinic", sort=True)
    ]
    say = partial(label, settings.language)
    about = say("workbook.about_fix") if sheets else say("workbook.nothing_to_fix")
    return build_workbook(sheets, about=about, cut_off=settings.cut_off, language=settings.language)


def list_faults(flags: pd.DataFrame) -> pd.DataFrame:
    """Return the faults of records by clinic, those that set a record aside first.

    Questions about a clinic as a whole are no faults.

    Returns
    -------
    DataFrame
        The columns of the ledger's flags; a fault of no known clinic has an empty ``clinic``.
    """
    of_records = [code for code, check in CHECKS.items() if check.scope != "clinic"]
    faults = flags.loc[flags["rule"].isin(of_records)]
    faults = faults.assign(clinic=faults["clinic"].fillna(""), is_soft=faults["severity"] != "hard")
    order = ["clinic", "is_soft", "rule", "file", "sheet", "line"]
    return faults.sort_values(order, kind="stable").drop(columns="is_soft").reset_index(drop=True)


def count_faults(flags: pd.DataFrame) -> pd.DataFrame:
    """Return how often each rule was broken, by clinic; those that set a record aside first.

    Returns
    -------
    DataFrame
        ``clinic, rule, severity, scope, n, first, found``: ``first`` is the address of the first
        record, ``found`` what was found in a clinic as a whole (empty for faults of records).
    """
    flags = flags.assign(
        clinic=flags["clinic"].fillna(""),
        scope=flags["rule"].map({code: check.scope for code, check in CHECKS.items()}),
        is_soft=flags["severity"] != "hard",
    )
    addresses = flags[["file", "sheet", "line"]].astype("string").fillna("")
    where = addresses["file"] + " " + addresses["sheet"] + " " + addresses["line"]
    found = flags["found"].astype("string").where(flags["scope"].eq("clinic"), "").fillna("")
    flags = flags.assign(first=where.str.split().str.join(" "), found=found)
    keys = ["clinic", "is_soft", "rule", "severity", "scope", "found"]
    counted = flags.groupby(keys, sort=True, dropna=False)
    table = counted.agg(n=("rule", "size"), first=("first", "first")).reset_index()
    order = ["clinic", "is_soft", "n", "rule", "found"]
    table = table.sort_values(order, ascending=[True, True, False, True, True], kind="stable")
    return table[["clinic", "rule", "severity", "scope", "n", "first", "found"]].reset_index(
        drop=True
    )


def _build_sheet(clinic: str, name: str, faults: pd.DataFrame, language: str) -> Sheet:
    say = partial(label, language)
    known = labels(language)
    shown = faults[list(LEDGER_COLUMNS)].assign(
        what=[known[f"check.{rule}.what"] for rule in faults["rule"]],
        todo=[known[f"check.{rule}.todo"] for rule in faults["rule"]],
        severity=[say(f"workbook.severity.{severity}") for severity in faults["severity"]],
        answer=None,
    )
    title = f"{clinic} {name}".strip() or say("workbook.no_clinic")
    return Sheet(
        name=clinic or say("workbook.no_clinic"),
        title=title,
        about=(("", say("workbook.about_fix")),),
        heads=tuple(say(f"workbook.fix.{head}") for head in (*LEDGER_COLUMNS, *WORD_COLUMNS)),
        rows=tuple(tuple(map(_plain, row)) for row in shown.itertuples(index=False)),
    )


def _plain(value: Any) -> Any:
    if value is None or pd.isna(value):
        return None
    if isinstance(value, pd.Timestamp):
        return value.date()
    return value.item() if hasattr(value, "item") else value


def _clinic_names(clinics: pd.DataFrame) -> dict[str, str]:
    return dict(zip(clinics["clinic"], clinics["name"].fillna(""), strict=True))
