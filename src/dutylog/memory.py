"""Memory of processes that run for weeks: what is loaded isn't searched over and over, what was freed goes back."""

from __future__ import annotations

import contextlib
import ctypes
import functools
import gc
import sys
import traceback

GIVE_BACK_NS = 300_000_000_000
"""How often a process that waits for others gives memory back. Source: judgement."""
_NAMES = 1 << 15
"""More than the interpreter's table of names has room for once we are loaded."""


def keep_what_is_loaded() -> None:
    """Take all there is now out of the search for garbage; for the end of a start.

    What was imported lives as long as the process, and how much garbage may gather goes by what is searched.
    """
    for number in range(_NAMES):
        # Each part of a path is such a name for a moment, and takes a place in the table that only making the table
        # anew sets free. Some hours after the start that would double it for good: half a megabyte, which is better
        # taken now than looked for later. Source: CPython 3.11, Lib/pathlib.py and Objects/dictobject.c; measured.
        sys.intern(f"name {number}")
    gc.collect()
    gc.freeze()


def let_go(err: BaseException) -> None:
    """Empty the frames behind an error that was dealt with, and behind those it came from.

    Libraries that keep an error in a local name make a ring of it, its frames and, through them, ours: all that our
    caller held then waits for a search for garbage. Source: CPython 3.11, take_ownership() in Python/frame.c; measured.
    """
    behind: BaseException | None = err
    while behind is not None:
        traceback.clear_frames(behind.__traceback__)
        behind.__traceback__ = None
        behind = behind.__cause__ or behind.__context__


@functools.cache
def _libc() -> ctypes.CDLL:
    """Return the C library; made once, because each one is a class of its own that only a search for garbage frees."""
    return ctypes.CDLL(None)


def give_back() -> None:
    """Hand freed memory back to the system; takes some milliseconds, for threads that nobody waits for.

    What lives long lies between what doesn't, so without this the heap only grows. Source: glibc malloc_trim(3);
    elsewhere nothing happens. The interpreter, too, keeps some of what was freed, up to 2000 tuples of each length
    below 21, and lets go of it with a full search for garbage only. Few short-lived objects ever make one due, and
    meanwhile tuples gather there hour by hour. Source: CPython 3.11, Objects/tupleobject.c, Modules/gcmodule.c.
    """
    gc.collect()
    with contextlib.suppress(OSError, AttributeError):
        _libc().malloc_trim(0)
