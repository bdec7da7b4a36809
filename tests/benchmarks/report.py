"""Seconds and memory of a whole report, from raw exports to the last file; run by hand.

``python tests/benchmarks/report.py FOLDER`` makes the report of a network that ``networks.py``
wrote: all pages, PDF and DOCX, a page and a workbook for each clinic, nothing kept from before. It
prints the lines of ``report.md``: for each stretch of the work how long it took, what it cost all
processes, and the most memory that they held together (private bytes, shared ones once), looked at
ten times a second.
"""

from __future__ import annotations

import json
import os
import sys
import tempfile
import time
from pathlib import Path

import psutil
from scale import _look as look

#: The work up to each of these is one line; steps in between belong to the one that follows.
STRETCHES = ("start", "records", "cohort", "clinics", "notebooks", "clinic pages", "files")

MAKE = """
import json, sys, time
from dataclasses import replace
from pathlib import Path
from analytics.reports.produce import produce
from analytics.reports.settings import read_settings
settings = read_settings(Path(sys.argv[1]) / "programme.toml")
settings = replace(settings, engine=replace(settings.engine, cache=Path(sys.argv[2]) / "cache"))
def tell(step):
    print(json.dumps([step, time.time()]), flush=True)
tell("start")
produce(settings, Path(sys.argv[2]) / "report", tell=tell)
"""


def watch(folder: Path, work: Path) -> tuple[list[tuple[str, float]], list[tuple[float, ...]]]:
    """Make the report: when each step was done, and time, memory and processor seconds so far."""
    with tempfile.TemporaryFile("w+") as out:
        asked = [sys.executable, "-c", MAKE, str(folder), str(work)]
        process = psutil.Popen(asked, stdout=out)
        seen: list[tuple[float, ...]] = []
        spent: dict[int, float] = {}
        while process.poll() is None:
            held = look(process, spent)
            seen.append((time.time(), held, sum(spent.values())))
            time.sleep(0.1)
        out.seek(0)
        steps = [json.loads(line) for line in out.read().splitlines() if line.startswith("[")]
    if process.returncode:
        sys.exit("the report failed")
    return [(name, at) for name, at in steps], seen


def stretch_of(step: str) -> str:
    """The line of the table to which a step belongs."""
    if step in STRETCHES:
        return step
    return "clinic pages" if step.startswith("clinic ") else "notebooks"


def main(folder: Path) -> None:
    """Measure and print the lines of the table."""
    _say(f"load average before: {os.getloadavg()[0]:.1f}")
    began = time.time()
    with tempfile.TemporaryDirectory() as work:
        steps, seen = watch(folder, Path(work))
        size = sum(p.stat().st_size for p in Path(work, "report").rglob("*") if p.is_file())
    ends = {stretch_of(step): at for step, at in steps}
    before, spent = began, 0.0
    for name in sorted(ends, key=lambda name: ends[name]):
        within = [one for one in seen if before < one[0] <= ends[name]] or seen[-1:]
        _tell(name, ends[name] - before, within[-1][2] - spent, max(one[1] for one in within))
        before, spent = ends[name], within[-1][2]
    _tell("whole", seen[-1][0] - began, seen[-1][2], max(one[1] for one in seen))
    _say(f"size of the report: {size / 1e6:.0f} MB; load average after: {os.getloadavg()[0]:.1f}")


def _tell(name: str, seconds: float, cpu: float, held: float) -> None:
    _say(f"| {name} | {seconds:.1f} | {cpu:.1f} | {held / 1e6:,.0f} |")


def _say(text: str) -> None:
    sys.stdout.write(text + "\n")
    sys.stdout.flush()


if __name__ == "__main__":
    main(Path(sys.argv[1]))
