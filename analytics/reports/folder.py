"""A report's folder: written anew beside the last one, and moved in its place at the end."""

from __future__ import annotations

import hashlib
import json
import shutil
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path, PurePosixPath

from analytics.errors import OutputError

#: Lists the files of a report with their hashes; a folder without it is not ours to replace.
PROVENANCE = "provenance.json"


@contextmanager
def replacing(target: Path) -> Iterator[Path]:
    """Give a new folder to write in, and put it where the last report stands when all went well.

    Parameters
    ----------
    target
        Folder of the report. When anything fails it stays as it was.

    Raises
    ------
    OutputError
        When the target is not a report of this program, was changed by hand since, or cannot be
        written.
    """
    target = target.absolute()
    check_replaceable(target)
    with _as_output_error(target):
        target.parent.mkdir(parents=True, exist_ok=True)
        # Nobody else can look into a half-written report: its own folder lies in a closed one.
        closed = Path(tempfile.mkdtemp(prefix=f".{target.name}-new-", dir=target.parent))
        fresh = closed / "report"
        fresh.mkdir()
    try:
        with _as_output_error(target):
            yield fresh
            _swap(fresh, target)
    finally:
        shutil.rmtree(closed, ignore_errors=True)


def check_replaceable(target: Path) -> None:
    """Refuse to replace what this program did not write or what a person has worked on since.

    A place that cannot be written is refused too, before minutes of work are done in vain.

    Raises
    ------
    OutputError
        Naming the files that would be lost, or why nothing can be written there.
    """
    if target.is_dir():
        foreign = _changed_by_hand(target)
        if not foreign:
            return _try_to_write(target)
        found = f"the folder holds what this program did not write: {', '.join(foreign)}"
    elif target.exists():
        found = "there is a file of that name, not a folder"
    else:
        return _try_to_write(target)
    raise OutputError(
        found,
        where=str(target),
        allowed="a new folder, an empty one, or the last report as it was written",
        todo="move these files elsewhere, or give another folder with --out",
    )


def _try_to_write(target: Path) -> None:
    """Make and take away an empty folder beside the target, or where that would be."""
    target = target.absolute()
    beside = next(parent for parent in target.parents if parent.exists())
    with _as_output_error(target):
        try:
            Path(tempfile.mkdtemp(prefix=f".{target.name}-new-", dir=beside)).rmdir()
        except OSError as error:
            raise OSError(error.errno, error.strerror, str(target)) from error


def hash_file(path: Path) -> str:
    """Return the SHA-256 of a file's bytes."""
    return hashlib.sha256(path.read_bytes()).hexdigest()


def hash_files(folder: Path) -> dict[str, str]:
    """Return the hash of every file of a folder and of the folders in it, by its relative path."""
    files = (path for path in folder.rglob("*") if path.is_file())
    return {path.relative_to(folder).as_posix(): hash_file(path) for path in sorted(files)}


def _changed_by_hand(folder: Path) -> list[str]:
    written: dict[str, str] = {}
    with suppress(OSError, ValueError, AttributeError):
        written = json.loads((folder / PROVENANCE).read_text(encoding="utf-8")).get("files", {})
    ours = {name for name in written} | ({PROVENANCE} if written else set())
    folders = {parent.as_posix() for name in ours for parent in PurePosixPath(name).parents}
    found = ((path.relative_to(folder).as_posix(), path) for path in folder.rglob("*"))
    return sorted(
        name
        for name, path in found
        if name not in ({PROVENANCE} & ours)
        and not (path.is_dir() and not path.is_symlink() and name in folders)
        and not (path.is_file() and written.get(name) == hash_file(path))
    )


def _swap(fresh: Path, target: Path) -> None:
    if not target.exists():
        fresh.rename(target)
        return
    aside = Path(tempfile.mkdtemp(prefix=f".{target.name}-old-", dir=target.parent))
    last = aside / "report"
    target.rename(last)
    try:
        fresh.rename(target)
    except OSError:
        last.rename(target)
        raise
    finally:
        shutil.rmtree(aside, ignore_errors=True)


@contextmanager
def _as_output_error(target: Path) -> Iterator[None]:
    try:
        yield
    except OSError as error:
        raise OutputError(
            f"the report cannot be written: {error.strerror or error}",
            where=str(error.filename or target),
            allowed="a folder that may be written, on a disk with free space",
            todo="give another folder with --out, or make room; the last report is untouched",
        ) from error
