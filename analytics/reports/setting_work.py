"""The section [work] of a settings file: where the work is done and what is kept of it."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from analytics.errors import SettingsError
from analytics.intake.engine import ENGINES, Engine
from analytics.reports.setting_values import one_of, text

KEYS = ("engine", "processes", "scheduler", "cache")

#: Folder beside the settings file in which settled parts are kept, unless another is named.
CACHE = "talipes-cache"


def read_work(section: dict[str, Any], file: Path) -> Engine:
    """Return the engine that a section names; an empty section needs nothing to be set.

    Parameters
    ----------
    section
        Keys of ``KEYS``: ``engine`` (one of ``ENGINES``), ``processes`` (0: one for each core),
        ``scheduler`` (address of a Dask scheduler), ``cache`` (a folder; empty keeps nothing).
    file
        The settings file; paths are relative to its folder.

    Raises
    ------
    SettingsError
        When a value is not allowed, or an engine on a cluster has no scheduler.
    """
    where = f"{file.name}, [work]"
    kind = one_of(section.get("engine", "auto"), "engine", ENGINES)
    processes = section.get("processes", 0)
    if not isinstance(processes, int) or isinstance(processes, bool) or processes < 0:
        raise SettingsError(
            f"'processes' is {processes!r}",
            where=where,
            allowed="a whole number; 0 takes one process for each core",
            todo="write a number without quotes",
        )
    if (kind == "dask") != ("scheduler" in section):
        raise SettingsError(
            "the engine and the scheduler do not go together",
            where=where,
            allowed='engine = "dask" with scheduler = "tcp://host:8786", or neither',
            todo="add the other line or take this one out",
        )
    if kind == "dask" and not section.get("cache", CACHE):
        raise SettingsError(
            "workers of a cluster have no folder in common",
            where=where,
            allowed='cache = "a folder that all workers see"',
            todo="name one, or leave the line out: then it is beside the settings",
        )
    scheduler = text(section["scheduler"], "scheduler", where) if kind == "dask" else ""
    cache = section.get("cache", CACHE)
    kept = (file.resolve().parent / text(cache, "cache", where)).resolve() if cache else None
    return Engine(kind, processes, scheduler, kept)
