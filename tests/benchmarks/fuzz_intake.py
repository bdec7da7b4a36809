"""Feed spoilt exports and maps to intake: each must end in records or in one clear error.

Run by hand: ``python tests/benchmarks/fuzz_intake.py [COUNT] [SEED] [PROCESSES]``; it writes
``fuzz_intake.md`` beside it. Inputs begin as the cases of ``tests/exports`` in every kind of file
that can be read, or as one of the traps of ``fuzz_mutations``. An input that ends in another
exception than the suite's own, takes more than 10 s, or needs more than 1 GiB is a failure; it is
printed with the numbers that make it again.
"""

from __future__ import annotations

import multiprocessing
import resource
import signal
import sys
import tempfile
import time
import traceback
import warnings
from collections import Counter
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from types import FrameType

import numpy as np

TESTS = Path(__file__).parents[1]
sys.path.insert(0, str(Path(__file__).parent))

from fuzz_mutations import Seed, list_seeds, spoil, spoil_text  # noqa: E402

from analytics.errors import AnalyticsError, BalanceError  # noqa: E402
from analytics.intake.draft import draft_map  # noqa: E402
from analytics.intake.load import Programme, load  # noqa: E402
from analytics.intake.map_types import FileSettings  # noqa: E402
from analytics.intake.maps import read_map  # noqa: E402
from analytics.intake.read import read_sheet  # noqa: E402

#: Most seconds and bytes that one input may take.
SECONDS, MEMORY = 10, 2**30
#: Share of the inputs for each target: whole loads take the longest.
SHARES = {"file": 0.7, "map": 0.25, "proposal": 0.03, "whole": 0.02}
SECRET = "a key for fuzzing only"
BLOCK = 500


@dataclass(frozen=True)
class Found:
    """How one block of inputs ended."""

    outcomes: Counter[tuple[str, str]]
    slowest: float
    peak: int
    faults: tuple[str, ...]


def _read_file(folder: Path, seed: Seed, rng: np.random.Generator) -> str:
    path = folder / seed.name
    path.write_bytes(spoil(seed, rng))
    read_sheet(path, seed.settings if rng.random() < 0.9 else FileSettings())
    return "rows read"


def _read_map(folder: Path, seed: Seed, rng: np.random.Generator) -> str:
    path = folder / "map.toml"
    path.write_bytes(spoil_text(seed.source_map, rng))
    read_map(path)
    return "map read"


def _propose(folder: Path, seed: Seed, rng: np.random.Generator) -> str:
    path = folder / seed.name
    path.write_bytes(spoil(seed, rng))
    draft_map(path)
    return "map proposed"


def _load(folder: Path, seed: Seed, rng: np.random.Generator) -> str:
    path, source_map = folder / seed.name, folder / "map.toml"
    source_map.write_bytes(_forgiving(seed.source_map))
    path.write_bytes(spoil(seed, rng))
    programme = Programme(date(2024, 12, 31), started_on=date(2000, 1, 1))
    records = load([(path, read_map(source_map))], key=SECRET, programme=programme)
    records.ledger.balance()
    return "records"


def _forgiving(source_map: bytes) -> bytes:
    """Let unknown codes through, so that more inputs come as far as the rules."""
    return source_map if b"unmapped_codes" in source_map else _LEDGER + source_map


_LEDGER = b'unmapped_codes = "ledger"\n'
TARGETS: dict[str, Callable[[Path, Seed, np.random.Generator], str]] = {
    "file": _read_file,
    "map": _read_map,
    "proposal": _propose,
    "whole": _load,
}


def run_block(arguments: tuple[int, int]) -> Found:
    """Return how the inputs of one block ended.

    Parameters
    ----------
    arguments
        Seed of the run and number of the block; together they make its inputs again.
    """
    warnings.simplefilter("error")  # a warning would reach the reader of a terminal
    rng = np.random.default_rng(arguments)
    seeds = list_seeds(TESTS)
    outcomes: Counter[tuple[str, str]] = Counter()
    slowest, faults = 0.0, []
    with tempfile.TemporaryDirectory() as folder:
        for number in range(BLOCK):
            target = str(rng.choice(list(SHARES), p=list(SHARES.values())))
            usable = [s for s in seeds if s.can_load] if target == "whole" else seeds
            seed = usable[int(rng.integers(len(usable)))]
            began = time.perf_counter()
            ended = _try(TARGETS[target], Path(folder), seed, rng)
            slowest = max(slowest, time.perf_counter() - began)
            if ended.startswith("FAULT"):
                title = f"{arguments} input {number}, {target} of {seed.case}/{seed.name}"
                faults.append(f"{title}\n{ended}")
                ended = "FAULT"
            outcomes[target, ended] += 1
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss * 1024
    return Found(outcomes, slowest, peak, tuple(faults))


def _try(
    target: Callable[[Path, Seed, np.random.Generator], str],
    folder: Path,
    seed: Seed,
    rng: np.random.Generator,
) -> str:
    signal.signal(signal.SIGALRM, _too_long)
    signal.alarm(SECONDS)
    try:
        return target(folder, seed, rng)
    except BalanceError:
        return f"FAULT {traceback.format_exc(limit=-3)}"
    except AnalyticsError as error:
        return type(error).__name__ if str(error).strip() else "FAULT an error without words"
    except Exception:
        return f"FAULT {traceback.format_exc(limit=-3)}"
    finally:
        signal.alarm(0)


def _too_long(number: int, frame: FrameType | None) -> None:
    raise TimeoutError(f"more than {SECONDS} s")


def _confine() -> None:
    """Refuse a process more address space than its code and one input may take."""
    now = int(Path("/proc/self/statm").read_text(encoding="ascii").split()[0])
    limit = now * resource.getpagesize() + MEMORY
    resource.setrlimit(resource.RLIMIT_AS, (limit, limit))


def run(count: int, seed: int, processes: int) -> Iterator[Found]:
    """Yield how each block of inputs ended."""
    list_seeds(TESTS)  # once, before the processes part
    blocks = [(seed, number) for number in range(-(-count // BLOCK))]
    context = multiprocessing.get_context("fork")
    with context.Pool(processes, initializer=_confine, maxtasksperchild=20) as pool:
        yield from pool.imap_unordered(run_block, blocks)


def report(found: list[Found], seed: int, seconds: float) -> str:
    """Return the table that is committed."""
    outcomes = sum((part.outcomes for part in found), Counter())
    total, faults = sum(outcomes.values()), sum(len(part.faults) for part in found)
    rows = [f"| {what} | {end} | {n:,} |" for (what, end), n in sorted(outcomes.items())]
    return "\n".join(
        [
            "# Spoilt exports and maps",
            "",
            f"`python tests/benchmarks/fuzz_intake.py {total} {seed}`: {total:,} inputs, "
            f"{faults} of them a failure (an exception that is not the suite's own, an error "
            f"without words, more than {SECONDS} s, or more than 1 GiB beyond what a process "
            "holds at its start, which the system refuses).",
            "",
            f"Slowest input {max(part.slowest for part in found):.1f} s; largest process "
            f"{max(part.peak for part in found) / 2**20:,.0f} MiB at its peak; {seconds:,.0f} s in "
            "all.",
            "",
            "`file`: bytes to rows, every kind of file, with workbooks and archives spoilt inside "
            "and zipped again, and traps (archives that unfold to gigabytes, workbooks that claim "
            "a million columns). `map`: a source map. `proposal`: what `talipes map` does. "
            "`whole`: export to records with the balance of rows proved.",
            "",
            "| target | ended in | inputs |",
            "|---|---|---:|",
            *rows,
            "",
        ]
    )


def main(count: int = 1000, seed: int = 1, processes: int = 2) -> int:
    """Run, print the faults, write the table; return 1 when there was any fault."""
    began = time.perf_counter()
    found = []
    for part in run(count, seed, processes):
        found.append(part)
        for fault in part.faults:
            sys.stdout.write(f"--- {fault}\n")
        sys.stdout.flush()
    text = report(found, seed, time.perf_counter() - began)
    Path(__file__).with_suffix(".md").write_text(text, encoding="utf-8")
    sys.stdout.write(text)
    return int(any(part.faults for part in found))


if __name__ == "__main__":
    sys.exit(main(*map(int, sys.argv[1:])))
