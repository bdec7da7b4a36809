"""How often a reader with all public tables works out a withheld small count.

Run by hand: ``python tests/benchmarks/disclosure.py 1000`` writes ``disclosure.md`` beside it.
Each random network is attacked with the tables of one run, and with those of the run a quarter
before as well; see ``tests/adversary.py`` for what the reader knows.
"""

from __future__ import annotations

import sys
import warnings
from collections import Counter
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1]))

from adversary import SMALL, Model, compare_runs, read_run, recovered
from networks import as_of, whole_lives
from public_run import public_run

NOW, THEN = "2026-01-01", "2025-10-01"


def attack(seed: int) -> tuple[int, int, list[str], int, list[str]]:
    """Return withheld small counts and those recovered, of one run and of two."""
    warnings.simplefilter("error")
    lives = whole_lives(seed)
    model = Model()
    read_run(model, public_run(as_of(lives, NOW)), "now")
    alone = recovered(model)
    n_alone = sum(model.truth[key] in SMALL for key in model.withheld)
    read_run(model, public_run(as_of(lives, THEN)), "then")
    compare_runs(model, "then", "now")
    both = recovered(model)
    return seed, n_alone, alone, sum(model.truth[key] in SMALL for key in model.withheld), both


def main(n: int) -> None:
    """Attack ``n`` networks, two at a time, and write the table."""
    with ProcessPoolExecutor(2) as pool:
        found = list(pool.map(attack, range(n), chunksize=2))
    lines = [
        "# Withheld small counts that a reader recovers",
        "",
        f"{n} random networks of 2-6 clinics and 25-140 children (seeds 0 to {n - 1}); "
        "`python tests/benchmarks/disclosure.py N` makes this file again.",
        "",
        "| tables of | withheld counts of 1-4 | recovered | networks with any |",
        "|---|---|---|---|",
    ]
    kinds: dict[str, Counter[str]] = {"one run": Counter(), "this run and the last": Counter()}
    for name, at in (("one run", 1), ("this run and the last", 3)):
        total = sum(f[at] for f in found)  # type: ignore[misc]
        cells = [c for f in found for c in f[at + 1]]  # type: ignore[attr-defined]
        some = sum(bool(f[at + 1]) for f in found)
        share = f"{len(cells)} ({100 * len(cells) / max(total, 1):.2f}%)"
        lines.append(f"| {name} | {total} | {share} | {some} of {n} |")
        kinds[name].update(f"{c.split(',')[0].split(' (')[0]}: {c.split()[-3]}" for c in cells)
    lines += ["", "Where they stand (table or row, and column):", ""]
    for name, counter in kinds.items():
        told = "; ".join(f"{kind} {k}" for kind, k in counter.most_common(12)) or "nowhere"
        lines.append(f"- {name}: {told}")
    file = Path(__file__).with_suffix(".md")
    file.write_text("\n".join(lines) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main(int(sys.argv[1]))
