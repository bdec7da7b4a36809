"""How often a reader with all public tables works out a withheld small count.

Run by hand: ``python tests/benchmarks/disclosure.py 1000`` writes ``disclosure.md`` beside it. A
second argument names a file in which networks that are done are kept, to go on from there.
Each random network is attacked with the tables of one run, and with those of the run a quarter
before as well; see ``tests/adversary.py`` for what the reader knows.
"""

from __future__ import annotations

import json
import sys
import warnings
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1]))

from adversary import SMALL, Model, compare_runs, recovered
from adversary_reads import read_run
from networks import as_of, whole_lives
from public_run import public_run

NOW, THEN = "2026-01-01", "2025-10-01"

#: Children of a network; every second network is of the second kind.
SIZES = ((25, 140), (140, 1200))


Found = tuple[int, list[str], int, list[str]]


def attack(seed: int) -> Found:
    """Return withheld small counts and those recovered, of one run and of two."""
    warnings.simplefilter("error")
    lives = whole_lives(seed, SIZES[seed % 2])
    model = Model()
    read_run(model, public_run(as_of(lives, NOW)), "now")
    alone, n_alone = recovered(model), _count(model)
    read_run(model, public_run(as_of(lives, THEN)), "then")
    compare_runs(model, "then", "now")
    return n_alone, alone, _count(model), recovered(model)


def _count(model: Model) -> int:
    return sum(model.truth[key] in SMALL for key in model.withheld)


def attack_all(n: int, kept: Path | None) -> list[Found]:
    """Attack ``n`` networks, two at a time; those kept already are not attacked again."""
    done: dict[int, Found] = {}
    if kept and kept.exists():
        done = {seed: found for seed, *found in map(json.loads, kept.read_text().splitlines())}
    waiting = [seed for seed in range(n) if seed not in done]
    with ProcessPoolExecutor(2) as pool:
        for seed, found in zip(waiting, pool.map(attack, waiting), strict=True):
            done[seed] = found
            if kept:
                with kept.open("a") as file:
                    file.write(json.dumps([seed, *found]) + "\n")
    return [done[seed] for seed in range(n)]


def main(n: int, kept: Path | None) -> None:
    """Attack ``n`` networks and write the table."""
    found = attack_all(n, kept)
    lines = [
        "# Small counts that a reader of public tables recovers",
        "",
        f"{n} random networks of 2-6 clinics (seeds 0 to {n - 1}), even seeds of "
        "{}-{} children, odd ones of {}-{}; ".format(*SIZES[0], *SIZES[1])
        + "`python tests/benchmarks/disclosure.py N` makes this file again.",
        "",
        "| networks | tables of | withheld counts of 1-4 | recovered | networks with any |",
        "|---|---|---|---|---|",
    ]
    cells: list[str] = []
    for kind, which in (("small", 0), ("large", 1)):
        of_kind = found[which::2]
        for name, at in (("one run", 0), ("this run and the last", 2)):
            total = sum(f[at] for f in of_kind)  # type: ignore[misc]
            got = [c for f in of_kind for c in f[at + 1]]  # type: ignore[attr-defined]
            some = sum(bool(f[at + 1]) for f in of_kind)
            lines.append(f"| {kind} | {name} | {total:,} | {len(got)} | {some} of {len(of_kind)} |")
            cells += got
    lines += ["", f"Where: {'; '.join(cells) or 'nowhere'}.", ""]
    lines += [
        "The reader knows the rounding, every sum that holds within and between the tables "
        "(estimates of the network, by clinic, by quarter, in bounds; trends, comparisons, work "
        "of the quarters, waits, descriptions of children and feet, the flow, curves whole and "
        "by severity), how shares were stepped, and which counts only grow or stay from quarter "
        "to quarter. Not read: effects, whose counts are those of levels of the descriptions, "
        "the heights of curves, limits of intervals, and money.",
    ]
    Path(__file__).with_suffix(".md").write_text("\n".join(lines) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main(int(sys.argv[1]), Path(sys.argv[2]) if len(sys.argv) > 2 else None)
