"""The workbooks of records to fix: one for each clinic, with columns to answer in."""

from __future__ import annotations

import itertools
from collections.abc import Iterator, Sequence
from functools import partial
from pathlib import Path
from typing import Any

import pandas as pd

from analytics.courses.cohort import Cohort
from analytics.definitions.check_effects import CHANGES, count_changes
from analytics.definitions.checks import CHECKS, NO_RECORD
from analytics.definitions.indicators import INDICATORS
from analytics.definitions.labels import label, labels
from analytics.display.found import tell_found
from analytics.intake.corrections import ANSWERS
from analytics.intake.frames import stack_frames
from analytics.intake.kept import Kept
from analytics.intake.ledger import FLAG_COLUMNS
from analytics.reports import pairs as of_pairs
from analytics.reports.fixing_headings import Headings
from analytics.reports.one_clinic import file_name
from analytics.reports.settings import Settings
from analytics.reports.workbook import Sheet, build_workbook

#: Columns of a sheet: what was found, in words, then what the clinic fills in.
FOUND_COLUMNS = (
    "file", "sheet", "line", "child", "side", "on", "rule", "severity", "found", "what", "todo",
    "look_at", "changes",
)  # fmt: skip
ANSWER_COLUMNS = ("answer", "column", "value", "who", "when")
FIX_COLUMNS = (*FOUND_COLUMNS, *ANSWER_COLUMNS)

#: What decides which headings a person should look at.
_LOOKED_BY = ("file", "rule", "side", "found")

#: Faults that are in memory at the same time, unless one clinic has more of them.
FAULTS_AT_ONCE = 100_000

#: Folder of the workbooks within a report.
FOLDER = "records_to_fix"


def build_records_to_fix(
    parts: Sequence[Kept], cohort: Cohort, settings: Settings
) -> Iterator[tuple[str, bytes]]:
    """Yield a workbook of records that failed a check for each clinic, with its file name.

    A clinic gets its own alone, so that nobody reads what belongs to another; a clinic without a
    fault gets none.

    Parameters
    ----------
    parts
        Where the faults are.
    cohort
        With its clinics and totals.
    settings
        For the cut-off, the language, and the maps that name the headings.
    """
    names = _clinic_names(cohort.clinics)
    headings = Headings.of(cohort.totals.sources, settings)
    for clinics in _deal_clinics(cohort.totals.faults):
        faults = _read_faults(parts, cohort.totals.doubles, clinics)
        for clinic, own in faults.groupby("clinic", sort=True):
            yield (
                workbook_name(clinic),
                build_workbook(
                    [_build_sheet(clinic, names.get(clinic, ""), own, headings)],
                    about=label(settings.language, "workbook.about_fix"),
                    cut_off=settings.cut_off,
                    language=settings.language,
                ),
            )


def _deal_clinics(kinds: pd.DataFrame) -> Iterator[list[str]]:
    """Yield the clinics with faults, in order, so many together as memory holds faults of."""
    n = list_faults(kinds).groupby("clinic", sort=True)["n"].sum()
    together = n.cumsum().floordiv(FAULTS_AT_ONCE)
    for _, some in n.groupby(together, sort=True):
        yield [str(clinic) for clinic in some.index]


def _read_faults(
    parts: Sequence[Kept], doubles: pd.DataFrame, clinics: Sequence[str]
) -> pd.DataFrame:
    """Return the faults of some clinics in the order of ``list_faults``."""
    read = (part.read("book_flags") for part in parts)
    books = itertools.chain(read, [doubles[list(FLAG_COLUMNS)]])
    return list_faults(
        stack_frames([book[book["clinic"].fillna("").isin(clinics)] for book in books])
    )


def write_records_to_fix(
    parts: Sequence[Kept], cohort: Cohort, settings: Settings, folder: Path
) -> list[str]:
    """Write the workbooks of ``build_records_to_fix`` and the list of pairs; return their names.

    Parameters
    ----------
    parts, cohort, settings
        As for ``build_records_to_fix``.
    folder
        Of the report.
    """
    written = []
    for name, content in build_records_to_fix(parts, cohort, settings):
        (folder / FOLDER).mkdir(exist_ok=True)
        (folder / FOLDER / name).write_bytes(content)
        written.append(name)
    pairs = of_pairs.build_pairs(cohort.totals.doubles, settings)
    if pairs is not None:
        (folder / of_pairs.FILE).write_bytes(pairs)
    return written


def workbook_name(clinic: str) -> str:
    """Return the file name of a clinic's workbook; faults of no known clinic have one too."""
    return Path(file_name(clinic)).with_suffix(".xlsx").name if clinic else "no_clinic.xlsx"


def list_faults(flags: pd.DataFrame) -> pd.DataFrame:
    """Return the faults of records by clinic, those that can change most indicators first.

    Questions about a clinic as a whole are no faults, and lines that are no record lack nothing.

    Parameters
    ----------
    flags
        The ledger's flags, or kinds of them (``Totals.faults``).

    Returns
    -------
    DataFrame
        The same columns; a fault of no known clinic has an empty ``clinic``.
    """
    reach = {
        code: -count_changes(code, len(INDICATORS))
        for code, check in CHECKS.items()
        if check.scope != "clinic" and code not in NO_RECORD
    }
    faults = flags.loc[flags["rule"].isin(list(reach))]
    faults = faults.assign(clinic=faults["clinic"].fillna(""), reach=faults["rule"].map(reach))
    order = ["clinic", "reach", "rule", "file", "sheet", "line"]
    return faults.sort_values(order, kind="stable").drop(columns="reach").reset_index(drop=True)


def list_kinds(kinds: pd.DataFrame) -> pd.DataFrame:
    """Return how often each rule was broken, by clinic; those that set a record aside first.

    Parameters
    ----------
    kinds
        ``Totals.faults``.

    Returns
    -------
    DataFrame
        ``clinic, rule, severity, scope, n, first, found``: ``first`` is the address of the first
        record, ``found`` what was found in a clinic as a whole (empty for faults of records).
    """
    addresses = kinds[["file", "sheet", "line"]].astype("string").fillna("")
    where = addresses["file"] + " " + addresses["sheet"] + " " + addresses["line"]
    table = kinds.assign(
        scope=kinds["rule"].map({code: check.scope for code, check in CHECKS.items()}),
        is_soft=kinds["severity"] != "hard",
        first=where.str.split().str.join(" "),
    )
    order = ["clinic", "is_soft", "n", "rule", "found"]
    table = table.sort_values(order, ascending=[True, True, False, True, True], kind="stable")
    return table[["clinic", "rule", "severity", "scope", "n", "first", "found"]].reset_index(
        drop=True
    )


def _build_sheet(clinic: str, name: str, faults: pd.DataFrame, headings: Headings) -> Sheet:
    language = headings.language
    say = partial(label, language)
    known = labels(language)
    rules = faults["rule"]
    shown = faults.assign(
        side=[known.get(f"code.side.{side}") for side in faults["side"]],
        severity=[say(f"workbook.severity.{severity}") for severity in faults["severity"]],
        found=[tell_found(found, language) for found in faults["found"].fillna("")],
        what=[known[f"check.{rule}.what"] for rule in rules],
        todo=[known[f"check.{rule}.todo"] for rule in rules],
        look_at=[headings.to_look_at(*row) for row in faults[list(_LOOKED_BY)].to_numpy()],
        changes=[_tell_changes(rule, language) for rule in rules],
        **dict.fromkeys(ANSWER_COLUMNS),
    )[list(FIX_COLUMNS)]
    return Sheet(
        name=clinic or say("workbook.no_clinic"),
        title=f"{clinic} {name}".strip() or say("workbook.no_clinic"),
        about=tuple(("", say(f"workbook.how_to_answer.{n}")) for n in range(1, 5)),
        heads=tuple(say(f"workbook.fix.{head}") for head in FIX_COLUMNS),
        rows=tuple(tuple(map(_plain, row)) for row in shown.itertuples(index=False)),
        choices=((FIX_COLUMNS.index("answer"), _answers(language)),),
    )


def _answers(language: str) -> tuple[str, ...]:
    """Return the answers that a clinic can give, in the order of ``corrections.ANSWERS``."""
    return tuple(label(language, f"correction.action.{action}") for action in ANSWERS)


def _tell_changes(rule: str, language: str) -> str:
    if CHECKS[rule].severity == "hard":
        return label(language, "workbook.changes_all")
    known = labels(language)
    keys = [f"measure.{code}" for code in CHANGES.get(rule, ())]
    return "; ".join(known[key if key in known else f"{key}.median"] for key in keys)


def _plain(value: Any) -> Any:
    if value is None or pd.isna(value):
        return None
    if isinstance(value, pd.Timestamp):
        return value.date()
    return value.item() if hasattr(value, "item") else value


def _clinic_names(clinics: pd.DataFrame) -> dict[str, str]:
    return dict(zip(clinics["clinic"], clinics["name"].fillna(""), strict=True))
