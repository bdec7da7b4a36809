"""The section [work] of the settings: what it may say, and what it means when it says nothing."""

from __future__ import annotations

from pathlib import Path

import pytest

from analytics.errors import SettingsError
from analytics.intake.engine import MANY_BYTES, WORTH_PROCESSES, Engine
from analytics.reports.setting_work import CACHE, read_work

FILE = Path("folder/programme.toml")


def test_nothing_needs_to_be_set():
    engine = read_work({}, FILE)
    assert (engine.kind, engine.processes) == ("auto", 0)
    assert engine.cache == FILE.resolve().parent / CACHE


def test_processes_are_taken_where_there_is_work_enough_and_more_than_one_core():
    assert Engine(processes=2).choose(WORTH_PROCESSES) == "processes"
    assert Engine(processes=2).choose(WORTH_PROCESSES - 1) == "serial"
    assert Engine(processes=1).choose(10 * WORTH_PROCESSES) == "serial"
    assert Engine("serial").choose(10 * WORTH_PROCESSES) == "serial"


def test_parts_of_many_exports_are_twice_as_large():
    engine = Engine(part_bytes=1_000)
    assert [engine.size_parts(MANY_BYTES - 1), engine.size_parts(MANY_BYTES)] == [1_000, 2_000]


def test_an_empty_cache_keeps_nothing():
    assert read_work({"cache": ""}, FILE).cache is None


def test_a_cluster_is_named_by_its_scheduler():
    engine = read_work({"engine": "dask", "scheduler": "tcp://host:8786"}, FILE)
    assert (engine.kind, engine.scheduler) == ("dask", "tcp://host:8786")


@pytest.mark.parametrize(
    "section",
    [
        {"engine": "dusk"},
        {"processes": "4"},
        {"processes": -1},
        {"processes": True},
        {"engine": "dask"},
        {"scheduler": "tcp://host:8786"},
        {"engine": "dask", "scheduler": "tcp://host:8786", "cache": ""},
        {"cache": 3},
    ],
)
def test_what_cannot_be_is_refused(section):
    with pytest.raises(SettingsError):
        read_work(section, FILE)
