"""What the command line shows: progress while a report is made, and the check of the exports."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from functools import partial

import pandas as pd
from rich.console import Console
from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn, TimeElapsedColumn

from analytics.definitions.labels import label, labels
from analytics.intake.ledger import Ledger
from analytics.reports.provenance import FATES
from analytics.reports.report import Report

#: Faults that the check lists: the hard ones first, then the most frequent.
N_WORST = 12


@contextmanager
def follow_steps(steps: Sequence[str]) -> Iterator[Callable[[str], None]]:
    """Show how many of the steps are done, on the error stream; give what tells of one done."""
    columns = (
        TextColumn("{task.description}"),
        BarColumn(),
        MofNCompleteColumn(),
        TimeElapsedColumn(),
    )
    with Progress(*columns, console=Console(stderr=True)) as progress:
        task = progress.add_task("Starting", total=len(steps))
        yield lambda step: progress.update(task, advance=1, description=f"Done: {step}")


def tell_check(report: Report) -> str:
    """Return the balance of rows by file and sheet, and the worst faults, as plain text."""
    say = partial(label, report.language)
    ledger = report.records.ledger
    balance = ledger.balance()
    total = {name: f"{int(balance[name].sum()):,}" for name in FATES}
    faults = list_worst_faults(ledger, report.language)
    parts = [
        say("page.provenance.balance", **total),
        balance.to_string(index=False),
        say("faults.worst") if len(faults) else say("faults.none"),
        faults.to_string(index=False) if len(faults) else "",
    ]
    return "\n\n".join(part for part in parts if part)


def list_worst_faults(ledger: Ledger, language: str) -> pd.DataFrame:
    """Return the faults found, hard ones first, then by how often they were found.

    Returns
    -------
    DataFrame
        ``rule, severity, n, first, meaning``: ``first`` is file, sheet and line of one of them.
    """
    flags = ledger.flags
    at = flags["file"].str.cat([flags["sheet"].fillna(""), flags["line"].astype("string")], sep="|")
    counted = (
        flags.assign(first=at)
        .groupby(["rule", "severity"], sort=True)
        .agg(n=("first", "size"), first=("first", "first"))
        .reset_index()
    )
    known = labels(language)
    counted["meaning"] = [known.get(f"check.{rule}.what", "") for rule in counted["rule"]]
    counted["soft"] = counted["severity"] != "hard"
    worst = counted.sort_values(["soft", "n", "rule"], ascending=[True, False, True])
    return worst.head(N_WORST).drop(columns="soft")
