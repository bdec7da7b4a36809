"""Names for what was made: equal exactly where what it was made from is equal."""

from __future__ import annotations

import hashlib
import hmac
from importlib.metadata import version
from pathlib import Path

#: Rooms and packages that can change a record or a foot.
_ROOMS = ("definitions", "intake", "courses")
_PACKAGES = ("pandas", "numpy", "pyarrow", "python-calamine")


def stamp_of(*parts: object) -> str:
    """Return a name that is equal where all parts are; texts, numbers, bytes or frozen values."""
    digest = hashlib.sha256()
    for part in parts:
        content = part if isinstance(part, bytes) else repr(part).encode("utf-8")
        digest.update(len(content).to_bytes(8, "big") + content)
    return digest.hexdigest()[:32]


def stamp_secret(key: bytes) -> str:
    """Return what tells two keys apart and gives neither away."""
    return hmac.digest(key, b"which key made this", "sha256").hex()


def stamp_program() -> str:
    """Return the version of the program: its very files, and the packages it counts with."""
    home = Path(__file__).resolve().parents[1]
    files = [path for room in _ROOMS for path in sorted((home / room).glob("*.py"))]
    return stamp_of(
        *(path.name for path in files),
        *(path.read_bytes() for path in files),
        *(version(package) for package in _PACKAGES),
    )
