"""Time, passed in rather than looked up, so that tests own it."""

from __future__ import annotations

import ctypes
import functools
import time
from dataclasses import dataclass
from pathlib import Path
from typing import Protocol


class Clock(Protocol):
    """What the project needs of time."""

    def mono_ns(self) -> int:
        """Return host monotonic time [ns]; never jumps, restarts at boot."""
        ...

    def utc_ns(self) -> int:
        """Return wall time [ns since 1970]; may jump by years on a board without a clock battery."""
        ...

    def sleep(self, seconds: float) -> None:
        """Wait; a manual clock just moves on."""
        ...


class SystemClock:
    """The machine's own clocks."""

    def mono_ns(self) -> int:
        return time.monotonic_ns()

    def utc_ns(self) -> int:
        return time.time_ns()

    def sleep(self, seconds: float) -> None:
        if seconds > 0:
            time.sleep(seconds)


class ManualClock:
    """A clock that a test moves by hand; `sleep` moves it and returns at once."""

    def __init__(self, mono_ns: int = 0, utc_ns: int = 0) -> None:
        self._mono_ns = mono_ns
        self._utc_ns = utc_ns

    def mono_ns(self) -> int:
        return self._mono_ns

    def utc_ns(self) -> int:
        return self._utc_ns

    def sleep(self, seconds: float) -> None:
        self.advance(seconds)

    def advance(self, seconds: float) -> None:
        """Move both clocks on by `seconds` [s]."""
        step_ns = round(seconds * 1e9)
        self._mono_ns += step_ns
        self._utc_ns += step_ns

    def set_utc_ns(self, utc_ns: int) -> None:
        """Make the wall clock jump; monotonic time goes on."""
        self._utc_ns = utc_ns


def read_boot_id(path: Path = Path("/proc/sys/kernel/random/boot_id")) -> str:
    """Return the kernel's id of this boot, or 'unknown' where there is none.

    Source: Linux random(4), file /proc/sys/kernel/random/boot_id.
    """
    try:
        return path.read_text(encoding="ascii").strip()
    except OSError:
        return "unknown"


SYNCHRONIZED = Path("/run/systemd/timesync/synchronized")
"""Touched by systemd-timesyncd whenever it has set the clock. Source: systemd-timesyncd.service(8)."""
STA_UNSYNC = 0x0040
TIME_ERROR = 5
"""Status bit and result of adjtimex for a clock that isn't synchronised. Source: adjtimex(2); linux/timex.h."""


@dataclass(frozen=True, slots=True)
class KernelClock:
    """Answer of adjtimex. result: -1 where it can't be asked. max_error_s: as the kernel estimates it [s]."""

    result: int
    status: int = 0
    max_error_s: float = 0.0

    def is_trusted(self, marker: Path = SYNCHRONIZED) -> bool:
        """Return whether something vouched for wall time; marker: counts only where the kernel can't be asked."""
        if self.result < 0:
            return marker.exists()
        return self.result != TIME_ERROR and not self.status & STA_UNSYNC


class _Timex(ctypes.Structure):
    """The part of struct timex that is read, and room for the rest. Source: adjtimex(2); maxerror in us."""

    _fields_ = (
        ("modes", ctypes.c_uint),
        ("offset", ctypes.c_long),
        ("freq", ctypes.c_long),
        ("maxerror", ctypes.c_long),
        ("esterror", ctypes.c_long),
        ("status", ctypes.c_int),
        ("rest", ctypes.c_byte * 256),
    )


@functools.cache
def _libc() -> ctypes.CDLL:
    """Return the C library; made once, because each one is a class of its own that only a search for garbage frees."""
    return ctypes.CDLL(None)


def read_kernel_clock() -> KernelClock:
    """Ask the kernel, changing nothing."""
    timex = _Timex()
    try:
        result = int(_libc().adjtimex(ctypes.byref(timex)))
    except (OSError, AttributeError):
        return KernelClock(-1)
    return KernelClock(result, int(timex.status), timex.maxerror / 1e6)
