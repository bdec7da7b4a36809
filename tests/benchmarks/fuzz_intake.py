"""Feed mutated exports and maps to intake: each must end in records or in one clear error.

Run by hand: ``python tests/benchmarks/fuzz_intake.py [COUNT] [SEED]``. It takes the cases of
``tests/exports`` and the demo's workbook, changes bytes, cells or lines of the map, and counts what
comes out. An input that ends in any other exception is printed with its case and number.
"""

from __future__ import annotations

import resource
import sys
import tempfile
import time
import traceback
from collections import Counter
from datetime import date
from pathlib import Path

import numpy as np

TESTS = Path(__file__).parents[1]
sys.path.insert(0, str(TESTS))

from analytics.errors import AnalyticsError  # noqa: E402
from analytics.intake.load import Programme, load  # noqa: E402
from analytics.intake.maps import read_map  # noqa: E402

TEXTS = [
    "", ",", ";", '"', "\n", "\r", "\x00", "\ufeff", "é", "½", "+", "/", "-", "1e309", "nan", "NaT",
    "9999-12-31", "0000-00-00", "2024-02-30", "99999999999999999999", "{n}", "{side}", "[", "]",
    "=", "true", "1.5.5", "\u2028", "left", "B", "None", "'", "#", "0", "١٢",
]  # fmt: skip


def say(text: str) -> None:
    """Print a line."""
    sys.stdout.write(text + "\n")


def mutate(content: bytes, rng: np.random.Generator) -> bytes:
    """Return bytes with a few of them changed, cut, repeated or replaced by telling texts."""
    held = bytearray(content)
    for _ in range(int(rng.integers(1, 6))):
        at = int(rng.integers(0, len(held) + 1))
        kind = int(rng.integers(0, 4))
        size = int(rng.integers(1, 20))
        if kind == 0:
            held[at : at + 1] = bytes([int(rng.integers(0, 256))])
        elif kind == 1:
            del held[at : at + size]
        elif kind == 2:
            held[at:at] = held[at : at + size]
        else:
            held[at : at + int(rng.integers(0, 3))] = TEXTS[rng.integers(0, len(TEXTS))].encode()
    return bytes(held)


def run(count: int, seed: int) -> Counter[str]:
    """Return how many inputs ended in what."""
    rng = np.random.default_rng(seed)
    cases = sorted(path for path in (TESTS / "exports").iterdir())
    outcomes: Counter[str] = Counter()
    slowest = 0.0
    with tempfile.TemporaryDirectory() as folder:
        for number in range(count):
            case = cases[int(rng.integers(0, len(cases)))]
            export = next(p for p in case.iterdir() if p.stem == "export")
            contents = {
                export.name: export.read_bytes(),
                "map.toml": (case / "map.toml").read_bytes(),
            }
            if rng.random() < 0.6:
                contents["map.toml"] = b'unmapped_codes = "ledger"\n' + contents["map.toml"]
            spoilt = [export.name, "map.toml"][int(rng.random() < 0.3)]
            contents[spoilt] = mutate(contents[spoilt], rng)
            for name, content in contents.items():
                (Path(folder) / name).write_bytes(content)
            began = time.perf_counter()
            outcomes[_load(Path(folder), export.name, f"{case.name} {number}")] += 1
            slowest = max(slowest, time.perf_counter() - began)
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    say(f"slowest input {slowest:.2f} s, peak memory {peak:.0f} MB")
    return outcomes


def _load(folder: Path, export: str, title: str) -> str:
    programme = Programme(date(2024, 12, 31), started_on=date(2000, 1, 1))
    try:
        source_map = read_map(folder / "map.toml")
        records = load(
            [(folder / export, source_map)], key="a key for fuzzing", programme=programme
        )
        records.ledger.balance()
    except AnalyticsError as error:
        return type(error).__name__ if error.exit_code != 7 else f"balance: {title}"
    except Exception as error:
        say(f"--- {title}: {type(error).__name__}: {error}")
        say(traceback.format_exc(limit=-3))
        return f"TRACEBACK {type(error).__name__}"
    return "records"


if __name__ == "__main__":
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 1000
    seed = int(sys.argv[2]) if len(sys.argv) > 2 else 1
    for outcome, n in sorted(run(count, seed).items()):
        say(f"{n:8d} {outcome}")
