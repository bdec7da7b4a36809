"""How long the pages of all clinics take: 50 clinics of 600 feet on two cores.

Run: python tests/benchmarks/clinic_pages.py [CLINICS FEET]. Writes clinic_pages.md beside it.
Children of the demo are drawn again and again, under new names, until there are so many feet, and
dealt to the clinics; everything after the cohort is what `talipes report` does for the pages.
"""

from __future__ import annotations

import os
import platform
import resource
import sys
import tempfile
import time
from dataclasses import replace
from functools import partial
from pathlib import Path

import numpy as np
import pandas as pd

from analytics.courses.cohort import Cohort
from analytics.reports.clinic_pages import NOTEBOOK, keep_page, write_pages
from analytics.reports.prepared import store
from analytics.reports.produce import NOTEBOOKS
from analytics.reports.provenance import build_provenance
from analytics.reports.report import Report
from analytics.reports.run import Run, run_notebooks

ROOT = Path(__file__).resolve().parents[2]
SETTINGS = ROOT / "synthetic_data" / "programme.toml"
SEED, LIMIT_SECONDS = 20261125, 120

#: Processor seconds spent before the clock starts.
BEFORE = [0.0]


def enlarged(cohort: Cohort, n_clinics: int, n_feet: int) -> Cohort:
    """The demo's children drawn with replacement until there are so many feet."""
    rng = np.random.default_rng(SEED)
    by_child = cohort.feet.groupby("child").indices
    names = list(by_child)
    drawn, n = [], 0
    while n < n_feet:
        child = names[rng.integers(len(names))]
        drawn.append(by_child[child])
        n += len(by_child[child])
    which = np.repeat(np.arange(len(drawn)), [len(part) for part in drawn])
    clinics = [f"C{number:02d}" for number in range(1, n_clinics + 1)]
    feet = cohort.feet.iloc[np.concatenate(drawn)].reset_index(drop=True)
    feet = feet.assign(
        child=pd.array([f"n{i}" for i in which], dtype="string"),
        clinic=pd.array(rng.choice(clinics, len(drawn))[which], dtype="string"),
    )
    table = cohort.clinics.iloc[np.arange(n_clinics) % len(cohort.clinics)]
    table = table.reset_index(drop=True).assign(clinic=pd.array(clinics, dtype="string"))
    faults = cohort.totals.faults
    dealt = pd.array(rng.choice(clinics, len(faults)), dtype="string")
    totals = replace(cohort.totals, faults=faults.assign(clinic=dealt))
    return replace(cohort, feet=feet, clinics=table, totals=totals)


def main(n_clinics: int, n_feet: int) -> None:
    report = Report.open(SETTINGS)
    cohort = enlarged(report.cohort, n_clinics, n_feet)
    BEFORE[0] += _processor()
    lines, begun = [], time.perf_counter()

    def tell(what: str) -> None:
        lines.append((what, time.perf_counter() - begun))
        print(f"{lines[-1][1]:6.1f} s  {what}", flush=True)  # noqa: T201

    with tempfile.TemporaryDirectory() as work:
        folder = Path(work)
        os.environ.update(store(folder, report.settings, cohort=cohort))
        fresh = Report(report.settings, report.policy)
        clinics = fresh.clinic_file.codes
        tell("clinics compared")
        variable = store(folder, report.settings, clinics=fresh.clinic_file)
        common = {"settings": str(SETTINGS), "cut_off": "", "audience": "", "language": ""}
        runs = [
            Run(
                NOTEBOOKS / f"{NOTEBOOK}.ipynb",
                common | {"clinic": c},
                told_as=c,
                keep=partial(keep_page, report=fresh, clinic=c, folder=folder),
            )
            for c in clinics
        ]
        pages = run_notebooks(runs, environment=variable, tell=tell)
        provenance = build_provenance(report.settings, report.policy, cohort.totals, [], ())
        write_pages(pages, provenance, folder)
        tell("pages written")
        n_bytes = sum(path.stat().st_size for path in folder.glob("clinics/*.html"))
    failures = [page.failures for page in pages if page.failures]
    assert not failures, failures
    total = lines[-1][1]
    memory = max(
        resource.getrusage(who).ru_maxrss / 1024
        for who in (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN)
    )
    text = (
        "# Pages of all clinics\n\n"
        f"`python tests/benchmarks/clinic_pages.py {n_clinics} {n_feet}` on {platform.machine()}, "
        f"{os.cpu_count()} cores, Python {platform.python_version()}, load "
        f"{os.getloadavg()[1]:.1f}. The limit set is {LIMIT_SECONDS} s.\n\n"
        "| what | |\n|---|---|\n"
        f"| clinics, feet | {len(pages)}, {len(cohort.feet):,} |\n"
        f"| every clinic compared, once | {lines[0][1]:.1f} s |\n"
        f"| all pages, from the cohort to the files | {total:.1f} s |\n"
        f"| one page | {(total - lines[0][1]) / len(pages):.2f} s, two at a time |\n"
        f"| the same in processor time, all processes | {_processor():.0f} s |\n"
        f"| size of a page | {n_bytes / len(pages) / 1024:.0f} KiB |\n"
        f"| largest process | {memory:.0f} MiB |\n"
    )
    Path(__file__).with_suffix(".md").write_text(text, encoding="utf-8")
    print(text)  # noqa: T201


def _processor() -> float:
    """Return the processor seconds since the beginning of this process and of those it started."""
    used = os.times()
    own, started = used.user + used.system, used.children_user + used.children_system
    return own + started - BEFORE[0]


if __name__ == "__main__":
    numbers = [int(word) for word in sys.argv[1:]]
    main(*(numbers or (50, 30_000)))
