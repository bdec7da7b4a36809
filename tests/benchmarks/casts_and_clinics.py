"""Coverage of the severity rate ratio, bias of expected casts, run length of the running sum.

Run: python tests/benchmarks/casts_and_clinics.py (some minutes). Writes casts_and_clinics.md
beside it. How often clinics are flagged stands in clinic_flags.md.

Networks are drawn so that the mean of casts is exactly log-linear in the score: a foot takes one
cast and a binomial number more, which leaves about 0.3 of a Poisson variance; the two feet of
48% of children share a factor of mean 1. Series stop unfinished with a fixed chance after each
cast, which leaves about 10% unfinished, the longer ones more often.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np

from analytics.errors import NotEstimableError
from analytics.stats.count_families import NEGATIVE_BINOMIAL
from analytics.stats.count_fits import fit_family
from analytics.stats.counts import log_linear
from analytics.stats.cusum import limit_for_run_length, mean_run_length, risk_draw
from analytics.stats.marginal import coefficient_interval
from analytics.stats.steps import fit_steps, mean_steps
from analytics.stats.survival import kaplan_meier

SEED, N_NETWORKS = 20261125, 1000
SLOPE, CENTRE, SUCCESS, BILATERAL, SHARED = 0.14, np.log(5.0), 0.6, 0.48, 0.12
STOPPING = 0.026


@dataclass(frozen=True)
class Network:
    """Feet: child, score, casts to correction, casts taken, whether corrected by then."""

    child: np.ndarray
    score: np.ndarray
    casts: np.ndarray
    taken: np.ndarray
    done: np.ndarray


def network(rng: np.random.Generator, n_children: int) -> Network:
    child = np.repeat(np.arange(n_children), 1 + (rng.random(n_children) < BILATERAL))
    severity = rng.normal(4.5, 0.75, n_children)[child] + rng.normal(0, 0.45, child.size)
    score = np.clip(np.round(2 * severity) / 2, 1.0, 6.0)
    factor = np.exp(rng.normal(-(SHARED**2) / 2, SHARED, n_children))[child]
    mean = np.exp(CENTRE + SLOPE * (score - 4.5)) * factor
    trials = np.maximum(mean - 1, 0) / SUCCESS
    whole = np.floor(trials)
    trials = whole + (rng.random(child.size) < trials - whole)
    casts = 1 + rng.binomial(trials.astype(int), SUCCESS)
    stop = rng.geometric(STOPPING, child.size)
    return Network(child, score, casts, np.minimum(casts, stop), casts <= stop)


def covered(estimate: float, se: float) -> bool:
    return bool(abs(estimate - SLOPE) <= 1.959964 * se)


def slopes(feet: Network) -> dict[str, bool]:
    """Return whether each method's 95% interval holds the true slope; all series finished."""
    design = np.column_stack([np.ones(feet.score.size), feet.score - 4.5])
    fit = log_linear(feet.casts, design, cluster=feet.child)
    interval = coefficient_interval(fit)
    rows = log_linear(feet.casts, design)
    found = {"default, clustered by child": bool(interval.lower[1] <= SLOPE <= interval.upper[1])}
    found["robust, feet as if independent"] = covered(
        rows.coefficients[1], np.sqrt(rows.covariance[1, 1])
    )
    found["plain Poisson"] = covered(rows.coefficients[1], np.sqrt(rows.plain_covariance[1, 1]))
    try:
        heavy = fit_family(feet.casts, design, family=NEGATIVE_BINOMIAL)
        found["negative binomial"] = covered(heavy.coefficients[1], np.sqrt(heavy.covariance[1, 1]))
    except NotEstimableError:
        found["negative binomial"] = False
    return found


def means(feet: Network) -> tuple[float, ...]:
    """Return mean casts less the mean of all series followed to the end, by four ways.

    The curve with unfinished series censored; the model on the score, so too; the model had
    every series been followed to its end; feet that finished, alone.
    """
    truth = float(feet.casts.mean())
    curve = kaplan_meier(feet.taken, feet.done, cluster=feet.child)
    free = np.r_[1.0, curve.estimate]
    area = float((free[:-1] * np.diff(np.r_[0.0, curve.times])).sum())
    everybody = np.ones(feet.casts.size, dtype=bool)
    ways = (
        area,
        modelled(feet, feet.taken, feet.done),
        modelled(feet, feet.casts, everybody),
        float(feet.taken[feet.done].mean()),
    )
    return tuple(way - truth for way in ways)


def modelled(feet: Network, taken: np.ndarray, done: np.ndarray) -> float:
    model = fit_steps(taken, done, feet.score[:, None], cluster=feet.child)
    points, n = np.unique(feet.score, return_counts=True)
    return float((mean_steps(model, points[:, None]).estimate * n).sum() / n.sum())


def run_lengths(rng: np.random.Generator) -> list[str]:
    lines = []
    for run_length in (250, 500):
        risk = 1 / (1 + np.exp(-rng.normal(-1.7, 0.6, 1500)))
        draw = risk_draw(risk, odds_ratio=2.0)
        limit = limit_for_run_length(draw, run_length=run_length, rng=rng, n_runs=4000)
        seen = mean_run_length(draw, limit=limit, n_rows=6 * run_length, rng=rng, n_runs=4000)
        lines.append(f"| {run_length} | {limit:.2f} | {seen:.0f} |")
    return lines


def main() -> None:
    rng = np.random.default_rng(SEED)
    cover, bias = [], []
    for n_children in (60, 400):
        tally: dict[str, int] = {}
        gaps = []
        for _ in range(N_NETWORKS):
            feet = network(rng, n_children)
            for name, holds in slopes(feet).items():
                tally[name] = tally.get(name, 0) + holds
            gaps.append((*means(feet), 1 - feet.done.mean()))
        for name, n in tally.items():
            share = n / N_NETWORKS
            error = np.sqrt(share * (1 - share) / N_NETWORKS)
            cover.append(f"| {n_children} | {name} | {100 * share:.1f}% ({100 * error:.1f}) |")
        gap = np.array(gaps)
        error = gap.std(axis=0) / np.sqrt(N_NETWORKS)
        cells = " | ".join(
            f"{gap[:, i].mean():+.3f} ({error[i]:.3f})" for i in range(gap.shape[1] - 1)
        )
        bias.append(f"| {n_children} | {100 * gap[:, -1].mean():.1f}% | {cells} |")
    text = (
        f"# Casts and running sums: calibration\n\n{N_NETWORKS} networks a line, seed {SEED}; in "
        "brackets the Monte Carlo error.\n\n## 95% intervals of the rate ratio per point\n\n"
        "| children | method | true value held |\n|---|---|---|\n" + "\n".join(cover) + "\n\n"
        "A negative binomial has no solution of its own on counts that vary less than Poisson "
        "ones; its limit, the Poisson, is what a program would report.\n\n"
        "## Mean casts to correction, error against all series followed to the end\n\n"
        "| children | unfinished | curve, unfinished censored | model on score, unfinished "
        "censored | model, all followed to the end | finished feet alone |\n"
        "|---|---|---|---|---|---|\n" + "\n".join(bias) + "\n\n"
        "The networks are not drawn from the model on the score (hazards in proportion); what it "
        "is off by is the same with every series followed to the end, so it is not the unfinished "
        "ones that move it.\n\n## Running sum: rows to a false signal\n\n"
        "| stated | limit | simulated anew |\n|---|---|---|\n" + "\n".join(run_lengths(rng)) + "\n"
    )
    Path(__file__).with_suffix(".md").write_text(text, encoding="utf-8")


if __name__ == "__main__":
    main()
