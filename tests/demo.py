"""The demo network through intake and courses, once for all tests that need it."""

from __future__ import annotations

import tomllib
from functools import cache
from pathlib import Path
from typing import Any

from analytics.courses.cohort import Cohort
from analytics.reports.report import Report

FOLDER = Path(__file__).parents[1] / "synthetic_data"


@cache
def demo() -> Report:
    """The report of the demo as its settings say."""
    return Report.open(FOLDER / "programme.toml")


def demo_cohort() -> Cohort:
    """The feet of the demo."""
    return demo().cohort


@cache
def truth() -> dict[str, Any]:
    """What the demo was drawn from, and what was planted in it."""
    return tomllib.loads((FOLDER / "truth.toml").read_text(encoding="utf-8"))
