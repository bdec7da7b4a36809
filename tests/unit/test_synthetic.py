"""The demo can be made again from its seed, byte for byte, and stays small."""

from __future__ import annotations

import subprocess
import sys
import tomllib

import pytest
from demo import FOLDER, truth

LARGEST_BYTES = 5_000_000


def test_the_same_seed_makes_the_same_bytes(tmp_path) -> None:
    made = ("exports/register_visits.csv", "exports/registre_enfants.xlsx", "clinics.csv")
    command = [sys.executable, "-m", "synthetic_data.generate", str(tmp_path)]
    subprocess.run(command, cwd=FOLDER.parent, check=True, capture_output=True)
    for name in made:
        assert (tmp_path / name).read_bytes() == (FOLDER / name).read_bytes(), name
    again = tomllib.loads((tmp_path / "truth.toml").read_text(encoding="utf-8"))
    # The large network's figures are rounded to 4 digits; another BLAS may move the last one.
    assert again["large_network"] == pytest.approx(truth()["large_network"], abs=2e-4)
    assert again["fault"] == truth()["fault"]


def test_the_demo_is_small() -> None:
    assert sum(f.stat().st_size for f in FOLDER.rglob("*") if f.is_file()) < LARGEST_BYTES
