"""Seconds, rows a second and memory of each stage on networks of any size; run by hand.

``python tests/benchmarks/scale.py FOLDER [ENGINE [STAGE...]]`` measures a network that
``networks.py`` wrote, each stage in a process of its own, and prints a line of ``scale.md`` for
each stage asked for (all, unless some are named):

* floor: a bare ``pyarrow.csv`` read of the same files into dictionaries, nothing else;
* settle: exports to settled parts (records, ledger, feet of the cohort), nothing kept before;
* again: the same once more, all parts kept;
* numbers: indicators, curves, hazards and casts of the network, from the settled parts;
* memory: records and cohort of all parts in one process, for networks that fit.

Memory is the highest sum of private and shared (each page once) bytes over all processes of the
stage, looked at every 50 ms and, in long stages, as often as takes a fiftieth of a core; processor
seconds are those of all processes, start-up included. On a machine that others use too, the ratio
of processor seconds tells more than that of seconds.
"""

from __future__ import annotations

import json
import os
import shutil
import sys
import tempfile
import time
from collections.abc import Sequence
from pathlib import Path

import psutil

#: Times as long as a look at memory took, until the next one: looking must not slow the work.
LOOKING = 50

#: Rows up to which records and cohort are also put together in memory.
MOST_IN_MEMORY = 4_000_000

STAGES = {
    "floor": """
import pyarrow as pa, pyarrow.csv as pc
for path in sorted((folder / "exports").glob("*.csv")):
    with path.open() as file:
        names = file.readline().strip().split(",")
    kinds = dict.fromkeys(names, pa.dictionary(pa.int32(), pa.string()))
    table = pc.read_csv(path, convert_options=pc.ConvertOptions(column_types=kinds))
    told["rows"] = told.get("rows", 0) + table.num_rows
""",
    "settle": """
with settle_network(exports, engine) as network:
    told["parts"] = len(network.parts)
""",
    "again": """
with settle_network(exports, engine) as network:
    told["parts"] = len(network.parts)
""",
    "numbers": """
from analytics.analyses.in_parts import open_batches
from analytics.analyses.network_numbers import answer_network
from analytics.analyses.casts import ADJUSTMENT
from analytics.analyses.network_designs import Casts
from analytics.definitions.custom import Catalogue
from analytics.definitions.indicators import INDICATORS
# No foot of these networks is told to be typical or not.
known = tuple(covariate for covariate in ADJUSTMENT if covariate.column != "atypical")
with settle_network(exports, engine) as network:
    began, laps = time.perf_counter(), told.setdefault("laps", {})
    def lap(step):
        laps[step] = round(time.perf_counter() - began, 1)
    with open_batches(network, engine) as batches:
        told["batches"] = len(batches.places)
        answers = answer_network(batches, Catalogue(INDICATORS), lap, casts=Casts(adjust=known))
        told["numbers"] = sum(1 for _ in answers)
""",
    "memory": """
from analytics.courses.together import Parts, gather_cohort, gather_records
from analytics.intake.kept import Folder
with settle_network(exports, engine) as network:
    began = time.perf_counter()
    each, programme = tuple(map(Folder, network.parts)), exports.programme
    parts = Parts(each, network.sources, programme, exports.cut_off)
    records, cohort = gather_records(parts), gather_cohort(parts)
    told["feet"] = len(cohort.feet)
""",
}

BEGIN = """
import json, sys, time
from dataclasses import replace
from pathlib import Path
folder, cache, kind, told = Path(sys.argv[1]), Path(sys.argv[2]), sys.argv[3], {}
if kind:
    from analytics.courses.network import settle_network
    from analytics.reports.report import read_exports
    from analytics.reports.settings import read_settings
    settings = read_settings(folder / "programme.toml")
    exports, engine = read_exports(settings), replace(settings.engine, kind=kind, cache=cache)
began = time.perf_counter()
"""

END = """
print(json.dumps(told | {"seconds": time.perf_counter() - began}))
"""


def measure(stage: str, folder: Path, cache: Path, kind: str) -> dict[str, float]:
    """What a stage took, in a process of its own."""
    code = BEGIN + STAGES[stage] + END
    out, took = watch([sys.executable, "-c", code, str(folder), str(cache), kind])
    return took | json.loads(out.splitlines()[-1])


def watch(asked: Sequence[str]) -> tuple[str, dict[str, float]]:
    """What a program wrote, and its seconds, processor seconds and most megabytes."""
    with tempfile.TemporaryFile("w+") as out:
        began = time.perf_counter()
        process = psutil.Popen(asked, stdout=out)
        peak, spent = 0, {}
        while process.poll() is None:
            looked = time.perf_counter()
            peak = max(peak, _look(process, spent))
            took = time.perf_counter() - looked
            time.sleep(max(0.05, min(LOOKING * took, (looked - began) / 100)))
        wall = time.perf_counter() - began
        if process.returncode:
            sys.exit(f"{asked[0]} failed")
        out.seek(0)
        took = {"wall": wall, "megabytes": peak / 1e6, "cpu": sum(spent.values())}
        return out.read(), took


def _look(process: psutil.Process, spent: dict[int, float]) -> int:
    """Return the memory of a process and its children, and note the seconds that each has used."""
    held = 0
    try:
        tree = [process, *process.children(recursive=True)]
    except psutil.NoSuchProcess:
        return 0
    for one in tree:
        try:
            held += getattr(one.memory_full_info(), "pss", 0)
            spent[one.pid] = sum(one.cpu_times()[:2])
        except (psutil.NoSuchProcess, psutil.AccessDenied):
            continue
    return held


def main(folder: Path, kind: str, asked: Sequence[str]) -> None:
    """Measure the stages and print the lines of the table."""
    cache = folder / "cache"
    shutil.rmtree(cache, ignore_errors=True)
    floor = measure("floor", folder, cache, "")
    n_rows = int(floor["rows"])
    _say(f"load average before: {os.getloadavg()[0]:.1f}")
    _tell(n_rows, "floor", floor, floor)
    stages = ["settle", "again", "numbers"]
    for stage in asked or stages + (["memory"] if n_rows < MOST_IN_MEMORY else []):
        _tell(n_rows, stage, measure(stage, folder, cache, kind), floor)
    shutil.rmtree(cache, ignore_errors=True)


def _tell(n_rows: int, stage: str, took: dict[str, float], floor: dict[str, float]) -> None:
    seconds = took["seconds"]
    _say(
        f"| {n_rows:,} | {stage} | {seconds:.1f} | {n_rows / seconds:,.0f} | "
        f"{took['cpu']:.1f} | {took['megabytes']:,.0f} | {seconds / floor['seconds']:.1f} | "
        f"{took['cpu'] / floor['cpu']:.1f} |"
    )


def _say(text: str) -> None:
    sys.stdout.write(text + "\n")
    sys.stdout.flush()


if __name__ == "__main__":
    main(Path(sys.argv[1]), sys.argv[2] if len(sys.argv) > 2 else "auto", sys.argv[3:])
