"""The same job in a plain R script, in the same run; run by hand.

``python tests/benchmarks/scale_beside.py FOLDER [ENGINE]`` takes a network that ``networks.py``
wrote, from exports to fates of rows, one row a foot, shares, the curve of relapse, hazard ratios
and casts: once here, nothing kept before, and once in R with data.table, survival and geepack
(``scale_beside.R``). It prints what each took, and how far their numbers lie apart.

R reads 13 of the 45 headings, knows the four hard rules that these rows can break, keeps no
ledger and writes nothing; here all is done that a report rests on. Ties by Breslow, because R's
robust errors by Efron take hours on this many feet.
"""

from __future__ import annotations

import csv
import os
import shutil
import subprocess
import sys
import tempfile
import time
from collections import Counter
from pathlib import Path

import numpy as np
import pandas as pd
import scale

from analytics.analyses.followed import EVENT, follow
from analytics.analyses.in_parts import open_batches
from analytics.analyses.network_indicators import OneIndicator
from analytics.courses.cohort import Cohort, cohort_of_feet
from analytics.courses.network import Exports, Network, settle_network
from analytics.definitions.endpoints import ENDPOINTS
from analytics.definitions.indicators import INDICATORS
from analytics.intake.engine import Engine
from analytics.intake.kept import Folder, stack_parts
from analytics.stats.counts import log_linear
from analytics.stats.cox import cox
from analytics.stats.curve_reading import read_curve
from analytics.stats.spells import as_spells
from analytics.stats.survival import kaplan_meier

DAYS_IN_MONTH = 30.4375
RULES = ("unreadable", "R02", "R05", "R06", "duplicate")
SHARES = ("boys", "both_feet", "early_start_6w", "severe_at_start", "initial_correction",
          "tenotomy_rate", "many_casts")  # fmt: skip
TERMS = ("pirani_start", "age_months", "boy")
HORIZONS = (365, 730)

scale.STAGES["ours"] = f"""
sys.path.insert(0, {str(Path(__file__).parent)!r})
from scale_beside import count_ours
told |= count_ours(exports, engine)
"""


def count_ours(exports: Exports, engine: Engine) -> dict[str, float]:
    """The numbers of the job by name, and the seconds of each step."""
    told: dict[str, float] = {}
    began = time.perf_counter()

    def lap(step: str, numbers: dict[str, float]) -> None:
        nonlocal began
        told.update(numbers)
        now = time.perf_counter()
        told[f"seconds {step}"] = now - began
        began = now

    with settle_network(exports, engine) as network:
        lap("settle", _count_rows(network))
        lap("shares", _count_shares(network, engine))
        cohort = _gather_feet(network)
    lap("gather", {"feet": len(cohort.feet), "children": cohort.feet["child"].nunique()})
    lap("curve", _read_curve(cohort))
    lap("cox", _fit_hazards(cohort))
    lap("casts", _fit_casts(cohort))
    return told


def _count_rows(network: Network) -> dict[str, float]:
    found: Counter[str] = Counter()
    for place in network.parts:
        rows = Folder(place).read("book_rows", ["fate", "reason"])
        found.update(rows["reason"].fillna(rows["fate"]))
    told = {f"rows {reason}": found[reason] for reason in (*RULES, "kept")}
    return {"rows read": sum(found.values())} | told


def _count_shares(network: Network, engine: Engine) -> dict[str, float]:
    whole = pd.DataFrame(index=[0])
    with open_batches(network, engine) as batches:
        answers = batches.ask([OneIndicator(INDICATORS[code], whole) for code in SHARES])
    return {
        f"{code} {said}": int(sum(told[said].sum() for _, told in asked.facts))
        for code, asked in zip(SHARES, answers, strict=True)
        for said in ("yes", "no")
    }


def _gather_feet(network: Network) -> Cohort:
    feet = stack_parts([Folder(place) for place in network.parts], "cohort")
    return cohort_of_feet(feet, network.work.cut_off, network.work.frame.protocol)


def _design(feet: pd.DataFrame) -> tuple[np.ndarray, pd.DataFrame]:
    """Rows whose covariates are known, and the covariates."""
    named = pd.DataFrame(
        {
            "pirani_start": feet["pirani_start"].astype("Float64"),
            "age_months": feet["age_start_days"].astype("Float64") / DAYS_IN_MONTH,
            "boy": feet["sex"].eq("male").astype("Float64"),
        }
    )
    known = named.notna().all(axis=1).to_numpy()
    return known, named[known].astype(float)


def _read_curve(cohort: Cohort) -> dict[str, float]:
    rows = follow(cohort, ENDPOINTS["relapse"]).rows
    event = rows["ended"] == EVENT
    curve = kaplan_meier(rows["time_days"], event, cluster=rows["child"].to_numpy())
    told: dict[str, float] = {"feet followed": len(rows), "relapses": int(event.sum())}
    for day, at in zip(HORIZONS, read_curve(curve, HORIZONS).itertuples(), strict=True):
        told |= {f"free of relapse {day}": at.estimate, f"free of relapse error {day}": at.se}
    return told


def _fit_hazards(cohort: Cohort) -> dict[str, float]:
    rows = follow(cohort, ENDPOINTS["relapse"]).rows
    known, named = _design(rows)
    rows = rows[known]
    event = (rows["ended"] == EVENT).to_numpy()
    spells = as_spells(rows["time_days"].to_numpy(float), event, cluster=rows["child"].to_numpy())
    fit = cox(spells, named, strata=rows["clinic"].to_numpy(), ties="breslow")
    return {"feet in Cox": len(rows)} | _tell("log hazard", TERMS, fit.coefficients, fit.se)


def _fit_casts(cohort: Cohort) -> dict[str, float]:
    feet = cohort.feet[cohort.feet["is_corrected"].fillna(False)]
    known, named = _design(feet)
    feet = feet[known]
    design = np.column_stack([np.ones(len(feet)), named.to_numpy()])
    count = feet["n_casts"].to_numpy(float)
    fit = log_linear(count, design, cluster=feet["child"].to_numpy(), exchangeable=False)
    # R takes the plain sandwich, without the factor for a finite number of clusters.
    error = np.sqrt(np.diag(fit.sandwich))
    told = {"feet in casts": len(feet), "casts": int(count.sum())}
    return told | _tell("log casts", ("constant", *TERMS), fit.coefficients, error)


def _tell(
    name: str, terms: tuple[str, ...], estimates: np.ndarray, errors: np.ndarray
) -> dict[str, float]:
    told = {f"{name} {term}": float(value) for term, value in zip(terms, estimates, strict=True)}
    return told | {
        f"{name} error {term}": float(value) for term, value in zip(terms, errors, strict=True)
    }


def count_theirs(folder: Path, cut_off: str) -> tuple[dict[str, float], dict[str, float]]:
    """The numbers of the R script by name, and what it took."""
    script = Path(__file__).with_suffix(".R")
    with tempfile.TemporaryDirectory() as place:
        out = Path(place) / "numbers.csv"
        asked = ["Rscript", script, folder, cut_off, out, len(os.sched_getaffinity(0))]
        _, took = scale.watch([str(part) for part in asked])
        with out.open(newline="") as file:
            return {row["name"]: float(row["value"]) for row in csv.DictReader(file)}, took


def main(folder: Path, kind: str) -> None:
    """Run both and print their tables."""
    if not shutil.which("Rscript"):
        sys.exit("R is not installed")
    cache = folder / "cache-beside"
    shutil.rmtree(cache, ignore_errors=True)
    _say(f"load average before: {os.getloadavg()[0]:.1f}; {_versions()}")
    ours = scale.measure("ours", folder, cache, kind)
    shutil.rmtree(cache, ignore_errors=True)
    theirs, took = count_theirs(folder, "2026-09-30")
    for who, told, spent in (("here", ours, ours), ("R", theirs, took)):
        steps = ", ".join(f"{name.split(' ', 1)[1]} {value:.1f}" for name, value in told.items()
                          if name.startswith("seconds "))  # fmt: skip
        _say(
            f"| {theirs['rows read']:,.0f} | {who} | {spent['wall']:.1f} | {spent['cpu']:.1f} | "
            f"{spent['megabytes']:,.0f} | {steps} |"
        )
    _compare(ours, theirs)


def _compare(ours: dict[str, float], theirs: dict[str, float]) -> None:
    names = [name for name in theirs if not name.startswith("seconds ")]
    apart = {
        name: abs(ours[name] - theirs[name]) / max(abs(theirs[name]), 1e-300) for name in names
    }
    counts = [name for name in names if theirs[name] == round(theirs[name])]
    wrong = [f"{name}: {ours[name]:,.0f} and {theirs[name]:,.0f}" for name in counts if apart[name]]
    _say(
        f"{len(counts)} counts, {len(counts) - len(wrong)} the same"
        + "".join(f"; {w}" for w in wrong)
    )
    for group in ("free of relapse", "log hazard", "log casts"):
        own = [name for name in names if name.startswith(group)]
        for error in (False, True):
            worst = max(apart[name] for name in own if (" error " in name) == error)
            _say(f"{group}{', error' if error else ''}: apart by at most {worst:.0e} of the value")


def _versions() -> str:
    asked = 'cat(R.version.string); for (p in c("data.table", "survival", "geepack")) ' \
        'cat(",", p, as.character(packageVersion(p)))'  # fmt: skip
    done = subprocess.run(["Rscript", "-e", asked], capture_output=True, text=True, check=True)
    return done.stdout.strip()


def _say(text: str) -> None:
    sys.stdout.write(text + "\n")
    sys.stdout.flush()


if __name__ == "__main__":
    main(Path(sys.argv[1]), sys.argv[2] if len(sys.argv) > 2 else "auto")
