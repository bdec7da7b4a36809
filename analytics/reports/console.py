"""What the command line shows: progress while a report is made, and the check of the exports."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from functools import partial

import pandas as pd
from rich.console import Console
from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn, TimeElapsedColumn

from analytics.definitions.labels import label, labels
from analytics.definitions.notebook_words import WRITTEN_IN
from analytics.display import numbers
from analytics.reports.fixing import list_faults
from analytics.reports.provenance import FATES
from analytics.reports.report import Report

#: Faults that the check lists: the hard ones first, then the most frequent.
N_WORST = 12


@contextmanager
def follow_steps(
    steps: Sequence[str], language: str = WRITTEN_IN
) -> Iterator[Callable[[str], None]]:
    """Show how many of the steps are done, on the error stream; give what tells of one done.

    What is told and is no step is a part of one: it is shown, and counts for nothing.
    """
    columns = (
        TextColumn("{task.description}"),
        BarColumn(),
        MofNCompleteColumn(),
        TimeElapsedColumn(),
    )
    with Progress(*columns, console=Console(stderr=True)) as progress:
        task = progress.add_task(label(language, "console.starting"), total=len(steps))

        def tell(step: str) -> None:
            name = labels(language).get(f"console.step.{step}", step)
            words = label(language, "console.done", step=name)
            progress.update(task, advance=int(step in steps), description=words)

        yield tell


def tell_check(report: Report) -> str:
    """Return the balance of rows by file and sheet, and the worst faults, as plain text."""
    say = partial(label, report.language)
    totals = report.cohort.totals
    balance = totals.balance()
    total = {name: numbers.count(balance[name].sum(), report.language) for name in FATES}
    faults = list_worst_faults(totals.faults)
    known = labels(report.language)
    told = [
        say("faults.line", what=known[f"check.{fault.rule}.what"], **fault._asdict())
        for fault in faults.itertuples(index=False)
    ]
    heading = say("faults.worst") if told else say("faults.none")
    return "\n".join(
        [
            say("page.provenance.balance", **total),
            "",
            balance.rename(columns=_heads(report.language)).to_string(index=False),
            "",
            heading,
            *told,
            *_tell_corrections(totals.corrections, report.language),
        ]
    )


def _tell_corrections(corrections: pd.DataFrame, language: str) -> list[str]:
    """Return how many corrections were applied, and each one that was not, with the reason."""
    if corrections.empty:
        return []
    say = partial(label, language)
    left = corrections[corrections["outcome"] != "applied"]
    lines = [
        say(
            "correction.line",
            file=row.file,
            line=row.line,
            action=say(f"correction.action.{row.action}"),
            outcome=say(f"correction.outcome.{row.outcome}"),
        )
        for row in left.itertuples(index=False)
    ]
    n_applied = len(corrections) - len(left)
    return ["", say("correction.title", n_applied=n_applied, n=len(corrections)), *lines]


def _heads(language: str) -> dict[str, str]:
    heads = {name: label(language, f"page.provenance.{name}") for name in ("file", *FATES)}
    return heads | {"sheet": label(language, "workbook.fix.sheet")}


def list_worst_faults(kinds: pd.DataFrame) -> pd.DataFrame:
    """Return the faults of records, hard ones first, then by how often they were found.

    Parameters
    ----------
    kinds
        ``Totals.faults``.

    Returns
    -------
    DataFrame
        ``rule, severity, n, file, line``: file and line are those of the first one.
    """
    faults = list_faults(kinds)
    counted = (
        faults.groupby(["rule", "severity"], sort=True)
        .agg(n=("n", "sum"), file=("file", "first"), line=("line", "first"))
        .reset_index()
    )
    counted["is_soft"] = counted["severity"] != "hard"
    worst = counted.sort_values(["is_soft", "n", "rule"], ascending=[True, False, True])
    return worst.head(N_WORST).drop(columns="is_soft").reset_index(drop=True)
