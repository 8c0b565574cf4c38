"""What the box says of itself: room on its disk, and whether its clock follows a time server."""

from __future__ import annotations

import ctypes
import shutil
from pathlib import Path

_TIMEX_SIZE = 512  # struct timex is 208 bytes on 64-bit Linux; all zero means: tell, change nothing
_TIME_ERROR = 5  # clock not synchronised (adjtimex(2))


def free_share(path: Path) -> float | None:
    """Return the free share of the disk that holds a path; ``None`` where it cannot be told."""
    try:
        usage = shutil.disk_usage(path)
    except OSError:
        return None
    return usage.free / usage.total if usage.total else None


def clock_synchronised() -> bool | None:
    """Return whether the kernel takes its clock as synchronised; ``None`` where it does not tell.

    Asks only: a call of ``adjtimex(2)`` without modes needs no privilege and changes nothing. A sandbox that
    forbids the call makes the answer unknown.
    """
    try:
        call = ctypes.CDLL(None).adjtimex
    except (OSError, AttributeError):
        return None
    state = call(ctypes.create_string_buffer(_TIMEX_SIZE))
    return None if state < 0 else state != _TIME_ERROR
