"""The casts model with clustered errors on a million feet, beside R.

Run: python tests/benchmarks/casts_speed.py [FEET]. Writes casts_speed.md beside it. R's side needs
Rscript with the packages sandwich and geepack (Debian: r-cran-sandwich, r-cran-geepack); both read
the same file, and only the fit and its covariance are timed: glm with family poisson and
sandwich::vcovCL; geepack::geeglm, exchangeable, once.
"""

from __future__ import annotations

import os
import platform
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import numpy as np
import pandas as pd

from analytics.stats.counts import log_linear

SEED, GOAL, N_RUNS = 20261125, 12, 3

R_SCRIPT = """
suppressMessages({library(sandwich); library(geepack)})
words <- commandArgs(TRUE)
d <- read.csv(words[1])
model <- casts ~ score + age + before + atypical + syndromic
t0 <- proc.time()[["elapsed"]]
if (words[2] == "clustered") {
  f <- glm(model, family = poisson, data = d)
  v <- vcovCL(f, cluster = d$child, type = "HC1")
} else {
  f <- geeglm(model, id = child, family = poisson, corstr = "exchangeable", data = d)
  v <- vcov(f)
}
t1 <- proc.time()[["elapsed"]]
cat(t1 - t0, coef(f)[["score"]], sqrt(v[2, 2]), "\\n")
"""


def feet(rng: np.random.Generator, n: int) -> pd.DataFrame:
    """Casts by score: at least one, varying less than Poisson ones, alike within a child."""
    child = np.repeat(np.arange(n), 1 + (rng.random(n) < 0.5))[:n]
    score = np.clip(np.round(2 * rng.normal(4.5, 0.9, n)) / 2, 1, 6)
    shared = np.exp(rng.normal(0, 0.1, n))[child]
    trials = np.maximum(np.exp(1.6 + 0.14 * (score - 4.5)) * shared - 1, 0) / 0.6
    return pd.DataFrame(
        {
            "child": child,
            "casts": 1 + rng.binomial(np.ceil(trials).astype(int), 0.6),
            "score": score,
            "age": rng.gamma(2.0, 1.0, n),
            "before": rng.integers(0, 2, n),
            "atypical": rng.integers(0, 2, n),
            "syndromic": rng.integers(0, 2, n),
        }
    )


def ours(table: pd.DataFrame, *, exchangeable: bool) -> tuple[float, float, float]:
    """Return seconds (the fastest run), coefficient and error of the score."""
    design = np.column_stack([np.ones(len(table)), table.drop(columns=["child", "casts"])])
    casts, child = table["casts"].to_numpy(dtype=float), table["child"].to_numpy()
    seconds = []
    for _ in range(N_RUNS):
        begun = time.perf_counter()
        fit = log_linear(casts, design, cluster=child, exchangeable=exchangeable)
        seconds.append(time.perf_counter() - begun)
    return min(seconds), float(fit.coefficients[1]), float(np.sqrt(fit.covariance[1, 1]))


def by_r(table: pd.DataFrame, model: str, n_runs: int) -> tuple[float, float, float]:
    """The same from R; the fastest of so many runs."""
    with tempfile.TemporaryDirectory() as folder:
        script, data = Path(folder) / "fit.R", Path(folder) / "feet.csv"
        script.write_text(R_SCRIPT, encoding="utf-8")
        table.to_csv(data, index=False)
        command = ["Rscript", str(script), str(data), model]
        runs = [
            subprocess.run(command, check=True, capture_output=True, text=True).stdout.split()
            for _ in range(n_runs)
        ]
    return min(tuple(map(float, run)) for run in runs)  # type: ignore[return-value]


def main(n: int) -> None:
    table = feet(np.random.default_rng(SEED), n)
    lines = {
        "ours, feet as independent": ours(table, exchangeable=False),
        "ours, exchangeable within child (the default)": ours(table, exchangeable=True),
        "R: glm and sandwich::vcovCL (HC1)": by_r(table, "clustered", N_RUNS),
        "R: geepack::geeglm, exchangeable": by_r(table, "exchangeable", 1),
    }
    seconds = [line[0] for line in lines.values()]
    rows = "\n".join(
        f"| {name} | {s:.2f} | {beta:.8f} | {se:.8f} |" for name, (s, beta, se) in lines.items()
    )
    version = subprocess.run(["Rscript", "--version"], check=True, capture_output=True, text=True)
    text = (
        "# The casts model on a million feet\n\n"
        f"`python tests/benchmarks/casts_speed.py {n}` on {platform.machine()}, {os.cpu_count()} "
        f"cores, Python {platform.python_version()}, "
        f"{(version.stdout or version.stderr).strip()}; fastest of {N_RUNS} runs, load "
        f"{os.getloadavg()[1]:.1f}. {table['child'].nunique():,} children, five covariates.\n\n"
        "| what | seconds | coefficient of the score | its error |\n|---|---|---|---|\n"
        f"{rows}\n\n"
        f"R takes {seconds[2] / seconds[0]:.0f} times as long with feet as independent, "
        f"{seconds[3] / seconds[1]:.0f} times as long with exchangeable ones; the goal is {GOAL}.\n"
    )
    Path(__file__).with_suffix(".md").write_text(text, encoding="utf-8")
    print(text)  # noqa: T201


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 1_000_000)
