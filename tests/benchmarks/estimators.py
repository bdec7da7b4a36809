"""Seconds and memory of the time-to-event estimators on many feet, beside R where it is there.

Run: python tests/benchmarks/estimators.py [FEET ...]. Writes estimators.md beside it. Every
measurement is a process of its own, on one thread; R (survival, cmprsk) gets the same numbers.
"""

from __future__ import annotations

import os
import platform
import resource
import shutil
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from functools import cache
from pathlib import Path

import numpy as np
import pandas as pd

from analytics.stats.competing import incidence
from analytics.stats.cox import cox
from analytics.stats.spells import as_spells
from analytics.stats.survival import product_limit

SEED, SIZES = 20261125, (10_000, 100_000, 1_000_000, 6_000_000)
#: Up to this size the fastest of a few runs counts; above it the only one.
REPEATED, N_REPEATS = 1_000_000, 3
R_LIMIT_SECONDS = 1200
#: R gets no more feet than this, by estimator: its residuals under Efron's rule are slow.
R_LARGEST = dict.fromkeys(("KM", "AJ", "Cox Breslow"), 1_000_000)
R_LARGEST |= dict.fromkeys(("Cox Efron", "AJ (survfit)"), 10_000)
#: At 1 million feet: our seconds over R's, at most.
GOALS, GOAL_FEET = {"KM": 1 / 8, "AJ": 1 / 12, "Cox Breslow": 1 / 12}, 1_000_000
MOST_GIB, MOST_GIB_FEET = 4.0, 6_000_000

R_SCRIPT = """
arguments <- commandArgs(trailingOnly = TRUE)
folder <- arguments[1]; task <- arguments[2]; n <- as.integer(arguments[3])
repeats <- as.integer(arguments[4])
suppressPackageStartupMessages({library(survival); library(cmprsk)})
whole <- function(name) readBin(file.path(folder, name), "integer", n, size = 4)
time <- whole("time"); cause <- whole("cause"); child <- whole("child")
event <- as.integer(cause == 1)
x <- matrix(readBin(file.path(folder, "x"), "double", 5 * n), n, 5)
cox <- function(ties) coxph(Surv(time, event) ~ x, cluster = child, ties = ties)
work <- list(
  "KM" = function() survfit(Surv(time, event) ~ 1, cluster = child),
  "AJ" = function() cuminc(time, cause, cencode = 0),
  "AJ (survfit)" = function() survfit(Surv(time, factor(cause, 0:2)) ~ 1),
  "Cox Breslow" = function() cox("breslow"),
  "Cox Efron" = function() cox("efron"))[[task]]
taken <- c(Inf, Inf)
for (k in seq_len(repeats)) {
  now <- system.time(fit <- work())
  taken <- pmin(taken, c(now[["user.self"]] + now[["sys.self"]], now[["elapsed"]]))
}
peak <- grep("VmHWM", readLines("/proc/self/status"), value = TRUE)
peak <- as.numeric(gsub("[^0-9]", "", peak)) / 1024^2
values <- switch(task,
  "KM" = {s <- summary(fit, censored = TRUE); cbind(s$surv, s$std.err)},
  "AJ" = t(timepoints(fit, sort(unique(time)))$est),
  "AJ (survfit)" = {
    # survfit leaves the clusters out for several states; its residuals can be summed by child.
    r <- resid(fit, times = fit$time, type = "pstate")
    by_child <- function(j) sqrt(colSums(rowsum(r[, j, -1], child)^2))
    cbind(fit$pstate[, -1], t(sapply(seq_along(fit$time), by_child)))},
  cbind(fit$coefficients, sqrt(diag(fit$var))))
writeBin(c(taken, peak, as.vector(values)), file.path(folder, "answer"))
"""


def write_feet(n: int, folder: Path) -> None:
    """Write invented feet: half of the children have two; days are whole, so ties are many."""
    rng = np.random.default_rng(SEED)
    child = np.repeat(np.arange(n), rng.integers(1, 3, n))[:n]
    frailty = rng.gamma(1.0, 1.0, n)[child]
    x = np.empty((n, 5), order="F")
    for j, is_shared in enumerate((True, False, True, False)):
        drawn = rng.normal(size=n)
        x[:, j] = drawn[child] if is_shared else drawn
    x[:, 4] = rng.random(n) < 0.4
    risk = frailty * np.exp(x @ np.array([0.4, 0.3, -0.2, 0.1, 0.3]))
    ends = [rng.exponential(size=n) / risk * 3000, rng.exponential(size=n) * 9000]
    ends.append(rng.uniform(30, 2000, n))
    which = np.argmin(ends, axis=0)
    days = np.ceil(np.min(ends, axis=0))
    for name, values in (("time", days), ("cause", (which + 1) % 3), ("child", child)):
        values.astype(np.int32).tofile(folder / name)
    x.ravel(order="F").tofile(folder / "x")


def read_feet(folder: Path, task: str) -> tuple[np.ndarray, ...]:
    time_days, cause, child = (
        np.fromfile(folder / name, dtype=np.int32) for name in ("time", "cause", "child")
    )
    x = np.empty(0)
    if task.startswith("Cox"):
        x = np.fromfile(folder / "x").reshape((len(child), 5), order="F")
    return time_days, cause, child, x


def work_km(feet: tuple[np.ndarray, ...]) -> np.ndarray:
    at = product_limit(as_spells(feet[0], feet[1] == 1, cluster=feet[2]))
    return np.column_stack([at.estimate, at.se])


def work_aj(feet: tuple[np.ndarray, ...]) -> np.ndarray:
    curves = incidence(as_spells(feet[0], feet[1], cluster=feet[2]))
    return np.column_stack([curves.estimate, curves.se])


def work_cox(feet: tuple[np.ndarray, ...], *, ties: str) -> np.ndarray:
    fit = cox(as_spells(feet[0], feet[1] == 1, cluster=feet[2]), feet[3], ties=ties)
    return np.column_stack([fit.coefficients, fit.se])


WORK: dict[str, Callable[[tuple[np.ndarray, ...]], np.ndarray]] = {
    "KM": work_km,
    "AJ": work_aj,
    "Cox Breslow": lambda feet: work_cox(feet, ties="breslow"),
    "Cox Efron": lambda feet: work_cox(feet, ties="efron"),
}


def measure_here(folder: Path, task: str, n_repeats: int) -> None:
    """Run one estimator in this process, and leave time, memory and values in the folder."""
    feet = read_feet(folder, task)
    best = np.full(2, np.inf)
    for _ in range(n_repeats):
        begun = np.array([time.process_time(), time.perf_counter()])
        values = WORK[task](feet)
        best = np.minimum(best, np.array([time.process_time(), time.perf_counter()]) - begun)
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024**2
    np.concatenate([best, [peak], values.ravel(order="F")]).tofile(folder / "answer")


def measure(command: list[str], folder: Path) -> np.ndarray | None:
    """Run a measuring process; ``None`` where it takes too long."""
    one_thread = {"OMP_NUM_THREADS": "1", "OPENBLAS_NUM_THREADS": "1"}
    try:
        subprocess.run(command, check=True, timeout=R_LIMIT_SECONDS, env=os.environ | one_thread)
    except subprocess.TimeoutExpired:
        return None
    return np.fromfile(folder / "answer")


def measure_both(task: str, n: int, folder: Path) -> dict[str, object]:
    n_repeats = str(N_REPEATS if n <= REPEATED else 1)
    ours = measure([sys.executable, __file__, "--here", str(folder), task, n_repeats], folder)
    line = {"task": task, "feet": n, "ours": ours, "r": None, "survfit": None}
    line["r_said"] = "not run" if has_r() else "no R"
    for key, name in (("r", task), ("survfit", f"{task} (survfit)")):
        if has_r() and n <= R_LARGEST.get(name, 0):
            script = folder / "script.R"
            script.write_text(R_SCRIPT, encoding="utf-8")
            times = n_repeats if key == "r" else "1"
            line[key] = measure(["Rscript", str(script), str(folder), name, str(n), times], folder)
            if key == "r" and line[key] is None:
                line["r_said"] = f"over {R_LIMIT_SECONDS} s"
    return line


@cache
def has_r() -> bool:
    """Whether R is here with the packages it needs."""
    asked = ["Rscript", "-e", "library(survival); library(cmprsk)"]
    return shutil.which("Rscript") is not None and (
        subprocess.run(asked, capture_output=True, check=False).returncode == 0
    )


def r_words() -> str:
    if not has_r():
        return "R, survival or cmprsk is not installed here: nothing was compared with it."
    asked = (
        "cat(as.character(getRversion()), as.character(packageVersion('survival')), "
        "as.character(packageVersion('cmprsk')))"
    )
    said = subprocess.run(["Rscript", "-e", asked], capture_output=True, check=True, text=True)
    return "R {}, survival {}, cmprsk {}.".format(*said.stdout.split())


def differences(ours: np.ndarray, theirs: np.ndarray | None, *, has_errors: bool) -> str:
    """Largest difference of the estimates, and of the errors relative to their size."""
    if theirs is None:
        return "-"
    a, b = ours[3:], theirs[3:]
    half = len(a) // 2
    told = f"{np.abs(a[:half] - b[:half]).max():.0e}"
    if not has_errors:
        return told
    errors, wanted = a[half:], b[half:]
    known = np.isfinite(errors) & np.isfinite(wanted) & (wanted > 0)
    return f"{told}, {np.abs(errors[known] / wanted[known] - 1).max():.0e}"


def growth(lines: list[dict], line: dict) -> float | None:
    """Seconds over those of the size before, divided by how much n log n grew."""
    before = [at for at in lines if at["task"] == line["task"] and at["feet"] < line["feet"]]
    if not before:
        return None
    grown = line["feet"] * np.log(line["feet"])
    grown /= before[-1]["feet"] * np.log(before[-1]["feet"])
    return float(line["ours"][0] / before[-1]["ours"][0] / grown)


def tell(lines: list[dict], line: dict) -> str:
    """One line of the table."""
    ours, theirs = line["ours"], line["r"]
    grown = growth(lines, line)
    said = [f"{theirs[0]:.2f}", f"{theirs[2]:.2f}", f"1/{theirs[0] / ours[0]:.0f}"] if (
        theirs is not None
    ) else [line["r_said"], "-", "-"]  # fmt: skip
    apart = differences(ours, theirs, has_errors=line["task"] != "AJ")
    if line["survfit"] is not None:
        apart += f"; survfit {differences(ours, line['survfit'], has_errors=True)}"
    cells = [
        line["task"], f"{line['feet']:,}", f"{ours[0]:.3f}", f"{ours[1]:.3f}", f"{ours[2]:.2f}",
        "-" if grown is None else f"{grown:.2f}", *said, apart,
    ]  # fmt: skip
    return "| " + " | ".join(cells) + " |"


def goal_lines(lines: list[dict]) -> list[str]:
    """Each goal, and whether this run met it."""
    said = []
    for line in lines:
        task, ours, theirs = line["task"], line["ours"], line["r"]
        if line["feet"] == GOAL_FEET and task in GOALS and theirs is not None:
            ratio = ours[0] / theirs[0]
            word = "met" if ratio <= GOALS[task] else "MISSED"
            said.append(
                f"- {task} on {GOAL_FEET:,} feet, at most 1/{1 / GOALS[task]:.0f} of R: "
                f"1/{1 / ratio:.1f}, {word}"
            )
        if line["feet"] == MOST_GIB_FEET and task.startswith("Cox"):
            word = "met" if ours[2] <= MOST_GIB else "MISSED"
            said.append(
                f"- {task} on {MOST_GIB_FEET:,} feet within {MOST_GIB:.0f} GiB: {ours[2]:.2f}, "
                f"{word}"
            )
    for task in WORK:
        own = [line for line in lines if line["task"] == task]
        if len(own) > 1:
            first, last = own[0], own[-1]
            worst = growth([first, last], last)
            word = "met" if worst <= 1 else "MISSED"
            said.append(
                f"- {task}, growth no faster than n log n from {first['feet']:,} to "
                f"{last['feet']:,} feet: {worst:.2f} of it, {word}"
            )
    return said


def main(sizes: tuple[int, ...] = SIZES) -> None:
    """Measure everything and write the table."""
    lines: list[dict] = []
    head = [
        "| estimator | feet | CPU s | wall s | peak GiB | growth | R CPU s | R peak GiB "
        "| ours / R | largest difference (estimate; error, relative) |",
        "|---|---|---|---|---|---|---|---|---|---|",
    ]
    rows: list[str] = []
    for n in sizes:
        with tempfile.TemporaryDirectory() as name:
            folder = Path(name)
            write_feet(n, folder)
            for task in WORK:
                line = measure_both(task, n, folder)
                rows.append(tell(lines, line))
                lines.append(line)
                sys.stdout.write(rows[-1] + "\n")
                sys.stdout.flush()
    text = [
        "# Time-to-event estimators on many feet", "",
        f"{platform.machine()}, Python {platform.python_version()}, numpy {np.__version__}, "
        f"pandas {pd.__version__}; {r_words()} Seed {SEED}; whole days, so thousands of ties; one "
        "to two feet a child, errors clustered by child, 5 covariates for Cox. One thread and a "
        f"process for each measurement; up to {REPEATED:,} feet the fastest of {N_REPEATS} runs, "
        "else one. CPU seconds, user and system, because the machine was shared; peak memory is "
        "the whole process with its libraries and data. Growth: CPU seconds over those of the "
        "size before, divided by the growth of n log n. AJ stands beside `cmprsk::cuminc`, which "
        "has no clustered errors and prints Aalen's variance, so only its estimates are compared; "
        "clustered errors are compared with residuals of `survfit` for several states, summed by "
        "child, on the smallest size.",
        "", *head, *rows, "", "## Goals", "", *goal_lines(lines),
    ]  # fmt: skip
    Path(__file__).with_suffix(".md").write_text("\n".join(text) + "\n", encoding="utf-8")
    sys.stdout.write("\n".join(text[-20:]) + "\n")


if __name__ == "__main__":
    if sys.argv[1:2] == ["--here"]:
        measure_here(Path(sys.argv[2]), sys.argv[3], int(sys.argv[4]))
    else:
        main(tuple(map(int, sys.argv[1:])) or SIZES)
