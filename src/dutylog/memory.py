"""Memory of processes that run for weeks: what is loaded isn't searched over and over, what was freed goes back."""

from __future__ import annotations

import contextlib
import ctypes
import gc


def keep_what_is_loaded() -> None:
    """Take all there is now out of the search for garbage; for the end of a start.

    What was imported lives as long as the process, and how much garbage may gather goes by what is searched.
    """
    gc.collect()
    gc.freeze()


def give_back() -> None:
    """Hand freed memory back to the system; takes some milliseconds, for threads that nobody waits for.

    What lives long lies between what doesn't, so without this the heap only grows. Source: glibc malloc_trim(3);
    elsewhere nothing happens.
    """
    with contextlib.suppress(OSError, AttributeError):
        ctypes.CDLL(None).malloc_trim(0)
