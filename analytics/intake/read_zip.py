"""Zipped exports: one member of the archive is read as if it lay in a folder."""

from __future__ import annotations

import io
import zipfile
from pathlib import PurePosixPath

from analytics.errors import AnalyticsError, ExportFileError
from analytics.intake.suggest import listed, suggest

#: Bytes that an archive or workbook may unfold to: far above any register, below a trap.
MOST_BYTES = 600_000_000


def open_member(content: bytes, wanted: str, file: str) -> tuple[str, bytes]:
    """Return the name and the bytes of a member of a zip archive.

    Parameters
    ----------
    content
        Bytes of the archive.
    wanted
        Name of the member, with or without its folder; empty takes the only one.
    file
        Name of the archive, for messages.

    Raises
    ------
    ExportFileError
        When it is no archive, is locked, unfolds to too much, or has no such member.
    """
    try:
        with zipfile.ZipFile(io.BytesIO(content)) as archive:
            names = [part.filename for part in archive.infolist() if not part.is_dir()]
            name = _choose(names, wanted, file)
            refuse_trap(archive, file)
            return name, archive.read(name)
    except AnalyticsError:
        raise
    except Exception as error:  # a broken archive raises errors of a dozen kinds
        raise ExportFileError(
            f"the archive cannot be opened: {error}",
            where=file,
            allowed="a zip archive without a password",
            todo="zip the export again",
        ) from error


def refuse_trap(archive: zipfile.ZipFile, file: str) -> None:
    """Raise when an archive, or a workbook which is one, unfolds to more than a register can be.

    Raises
    ------
    ExportFileError
        With the size.
    """
    size = sum(part.file_size for part in archive.infolist())
    if size > MOST_BYTES:
        raise ExportFileError(
            f"the file unfolds to {size / 1e6:,.0f} MB",
            where=file,
            allowed=f"up to {MOST_BYTES / 1e6:,.0f} MB",
            todo="split it, or export as CSV",
        )


def _choose(names: list[str], wanted: str, file: str) -> str:
    short = {PurePosixPath(name).name: name for name in names}
    if wanted in names or wanted in short:
        return wanted if wanted in names else short[wanted]
    if not wanted and len(names) == 1:
        return names[0]
    raise ExportFileError(
        f"there is no '{wanted}' inside" if wanted else f"the archive has {len(names)} files",
        where=file,
        allowed=listed(names),
        todo=suggest(wanted, names) or "name the member under [file] in the source map",
    )
