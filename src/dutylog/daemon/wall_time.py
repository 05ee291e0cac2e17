"""Whether the wall clock can be believed, and what is dated once it can.

A board without a clock battery starts with any date. Whoever sets the clock by the network (any NTP
daemon) tells the kernel so; setting it by hand takes that back.
"""

from __future__ import annotations

import ctypes
from pathlib import Path

from dutylog.clock import Clock
from dutylog.ledger.ledger import Ledger
from dutylog.ledger.rows import Epoch

SYNCHRONIZED = Path("/run/systemd/timesync/synchronized")
"""Touched by systemd-timesyncd whenever it has set the clock. Source: systemd-timesyncd.service(8)."""
STA_UNSYNC = 0x0040
TIME_ERROR = 5
"""Status bit and result of adjtimex for a clock that isn't synchronised. Source: adjtimex(2); linux/timex.h."""
MOST_EPOCHS = 1000
"""Starts of one boot that are looked back at; a crash loop of hours has fewer."""


class _Timex(ctypes.Structure):
    """The part of struct timex that is read, and room for the rest. Source: adjtimex(2)."""

    _fields_ = (
        ("modes", ctypes.c_uint),
        ("offset", ctypes.c_long),
        ("freq", ctypes.c_long),
        ("maxerror", ctypes.c_long),
        ("esterror", ctypes.c_long),
        ("status", ctypes.c_int),
        ("rest", ctypes.c_byte * 256),
    )


def read_kernel_clock() -> tuple[int, int]:
    """Return (result, status) of adjtimex without changing anything; (-1, 0) where it can't be asked."""
    timex = _Timex()
    try:
        result = int(ctypes.CDLL(None).adjtimex(ctypes.byref(timex)))
    except (OSError, AttributeError):
        return -1, 0
    return result, int(timex.status)


def is_utc_trusted(marker: Path = SYNCHRONIZED, kernel: tuple[int, int] | None = None) -> bool:
    """Return whether something vouched for the wall clock since it was last set by hand.

    marker: counts only where the kernel can't be asked. kernel: (result, status), None to ask.
    """
    result, status = read_kernel_clock() if kernel is None else kernel
    if result < 0:
        return marker.exists()
    return result != TIME_ERROR and not status & STA_UNSYNC


def dated_epochs(ledger: Ledger, boot_id: str, clock: Clock) -> list[Epoch]:
    """Return the epochs of this boot that had no trusted time, with the present one; they keep their own stamps."""
    before_ns, utc_ns, after_ns = clock.mono_ns(), clock.utc_ns(), clock.mono_ns()
    mono_ns = (before_ns + after_ns) // 2
    found = []
    last = ledger.last_epoch()
    for number in range(last, max(0, last - MOST_EPOCHS), -1):
        epoch = ledger.epoch(number)
        if epoch is None or epoch.boot_id != boot_id:
            break
        if not epoch.utc_trusted and epoch.mono_ns:
            found.append(Epoch(number, epoch.source_kind, epoch.source_text, boot_id, mono_ns, utc_ns, True))
    return found
