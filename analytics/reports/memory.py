"""Memory that nothing uses any more, given back before other processes need it."""

from __future__ import annotations

import ctypes
import gc
from contextlib import suppress


def give_back() -> None:
    """Give freed memory back to the machine; the C library keeps hundreds of megabytes otherwise.

    Where that library has no such call, as on macOS, only cycles are freed.
    """
    gc.collect()
    with suppress(AttributeError, OSError, TypeError):
        ctypes.CDLL(None).malloc_trim(0)
