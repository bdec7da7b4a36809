"""What the notebooks of a report share, made once and handed to them in a work folder."""

from __future__ import annotations

import hashlib
import os
import pickle
from collections.abc import Callable
from pathlib import Path
from typing import Any

from analytics.errors import OutputError
from analytics.reports.settings import Settings

#: Names the work folder to the notebooks of one report; without it each makes its own.
FOLDER_VARIABLE = "TALIPES_PREPARED"

#: Says to a notebook whether what it shows needs its figures as PNG too; they do without it.
PICTURES_VARIABLE = "TALIPES_PICTURES"
_NO_PICTURES = "no"


def store(folder: Path, settings: Settings, **made: Any) -> dict[str, str]:
    """Keep what was made from these settings, and return the variable that lets it be found.

    Parameters
    ----------
    folder
        Work folder of this user and this run alone: what it holds is trusted when read.
    settings
        What the things were made from.
    made
        Things by name.

    Raises
    ------
    OutputError
        When the folder takes no more.
    """
    for name, thing in made.items():
        keep(folder / _file_name(settings, name), thing)
    return {FOLDER_VARIABLE: str(folder)}


def keep(path: Path, thing: Any) -> None:
    """Keep a thing in a file of the work folder; errors as of ``store``."""
    try:
        with path.open("wb") as file:
            pickle.dump(thing, file, protocol=pickle.HIGHEST_PROTOCOL)
    except OSError as error:
        raise OutputError(
            f"what the pages are made from cannot be kept: {error.strerror or error}",
            where=str(path.parent),
            allowed="free space in the folder for temporary files",
            todo="make room there, or name another folder in the environment variable TMPDIR; "
            "the last report is untouched",
        ) from error


def read_kept(path: Path) -> Any:
    """Return a thing that ``keep`` wrote in this run."""
    with path.open("rb") as file:
        return pickle.load(file)  # written by this user's own run, see store


def restore(settings: Settings, name: str, make: Callable[[], Any]) -> Any:
    """Return a thing kept by ``store`` for the same settings, else make it."""
    folder = os.environ.get(FOLDER_VARIABLE)
    path = Path(folder) / _file_name(settings, name) if folder else None
    if path is None or not path.is_file():
        return make()
    return read_kept(path)


def say_pictures(wanted: bool) -> dict[str, str]:
    """Return the variable that tells a notebook whether files need its figures as PNG."""
    return {PICTURES_VARIABLE: "yes" if wanted else _NO_PICTURES}


def wants_pictures() -> bool:
    """Return whether figures are drawn as PNG too, which takes a third of a page's time."""
    return os.environ.get(PICTURES_VARIABLE) != _NO_PICTURES


def _file_name(settings: Settings, name: str) -> str:
    # Audience and language change how results are shown, not the records or the cohort.
    days = (settings.cut_off, settings.extracted_on, settings.started_on)
    files = (settings.file, settings.sources, settings.clinics, settings.corrections)
    parts = (files, days, settings.protocol)
    key = hashlib.sha256(repr(parts).encode("utf-8")).hexdigest()[:16]
    return f"{name}-{key}.pickle"
