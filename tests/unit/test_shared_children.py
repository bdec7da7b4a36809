"""Children in several parts are found range by range as from all numbers at once."""

from __future__ import annotations

import numpy as np
import pytest

from analytics.intake import part
from analytics.intake.part import find_shared

MOST = np.iinfo(np.uint64).max


@pytest.mark.parametrize("range_bytes", [100, 3_000, 8_000_000])
def test_numbers_of_several_files_are_found_whatever_the_ranges(tmp_path, monkeypatch, range_bytes):
    monkeypatch.setattr(part, "RANGE_BYTES", range_bytes)
    rng = np.random.default_rng(5)
    ends = np.array([0, MOST], dtype=np.uint64)
    alone = rng.integers(0, MOST, 900, dtype=np.uint64)
    moved = np.concatenate([rng.integers(0, MOST, 60, dtype=np.uint64), ends])
    held = [
        np.concatenate([alone[:300], moved[:40]]),
        np.array([], dtype=np.uint64),
        np.concatenate([alone[300:], moved]),
        moved[20:],
    ]
    kept = []
    for number, children in enumerate(held):
        np.save(tmp_path / f"{number}.npy", np.sort(children))
        kept.append(tmp_path / f"{number}.npy")
    found = find_shared(kept)
    assert found.dtype == np.uint64
    assert [*found] == sorted(moved)
    assert not len(find_shared(kept[:2]))
