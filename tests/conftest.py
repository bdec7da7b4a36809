"""Shared by all tests; this file also puts ``tests/`` on the path, for ``drawn``."""

import os
import subprocess
import sys
from pathlib import Path

import pytest
from small_programme import write_programme


@pytest.fixture(scope="session")
def whole(tmp_path_factory):
    """A report of the small programme with all notebooks, made by the command in its process."""
    folder = tmp_path_factory.mktemp("whole")
    settings = write_programme(folder, formats=["pdf", "docx"])
    run = subprocess.run(
        [sys.executable, "-W", "error", "-m", "analytics", "report", str(settings), "--out", "out"],
        cwd=folder,
        capture_output=True,
        text=True,
        env={**os.environ, "PYTHONPATH": str(Path(__file__).resolve().parents[1])},
    )
    assert run.returncode == 0, run.stderr
    return folder / "out"
