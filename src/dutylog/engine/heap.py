"""Memory that numpy frees and asks for again, many times a second."""

from __future__ import annotations

import ctypes

_TRIM_THRESHOLD, _MMAP_THRESHOLD = -1, -3
_KEPT_BYTES = 64 * 1024 * 1024


def keep_freed_memory() -> None:
    """Ask malloc to keep what is freed instead of giving it back to the kernel; for the start of a process.

    For work on whole recordings; a process that works on single seconds has small arrays and stays smaller without.

    Arrays over 128 KiB are otherwise mapped anew each time and every page is zeroed again: a third of
    the estimator's time. Does nothing where the C library has no such call.
    Source: mallopt(3), M_TRIM_THRESHOLD and M_MMAP_THRESHOLD (glibc).
    """
    mallopt = getattr(ctypes.CDLL(None), "mallopt", None)
    if mallopt is not None:
        mallopt(_MMAP_THRESHOLD, _KEPT_BYTES // 2)
        mallopt(_TRIM_THRESHOLD, _KEPT_BYTES)
