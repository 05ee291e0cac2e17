"""Whether the wall clock can be believed, and what is dated once it can.

A board without a clock battery starts with any date. Whoever sets the clock by the network (any NTP
daemon) tells the kernel so; setting it by hand takes that back.
"""

from __future__ import annotations

from dutylog.clock import Clock, read_kernel_clock
from dutylog.ledger.ledger import Ledger
from dutylog.ledger.rows import Epoch

MOST_EPOCHS = 1000
"""Starts of one boot that are looked back at; a crash loop of hours has fewer."""


def is_utc_trusted() -> bool:
    """Return whether something vouched for the wall clock since it was last set by hand."""
    return read_kernel_clock().is_trusted()


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
