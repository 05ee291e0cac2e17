"""Time, passed in rather than looked up, so that tests own it."""

from __future__ import annotations

import time
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
