"""Wall time for what is published: one offset to this machine's monotonic clock, taken when it can be believed."""

from __future__ import annotations

from dutylog.publish.points import Moment
from dutylog.publish.snapshot import Snapshot


class Timekeeper:
    """Stamps with CLOCK_MONOTONIC and the kernel's boot; knows wall time from the first trusted snapshot on.

    The offset then stays for as long as the clock is trusted: a wall clock that jumps later moves no
    point, so the order of points is that of monotonic time. One that stops being trusted and is trusted
    again is believed anew.
    """

    def __init__(self, boot_id: str) -> None:
        self._boot_id = boot_id
        self._offset_ns: int | None = None

    @property
    def offset_ns(self) -> int | None:
        """Return wall time minus monotonic time [ns], None while nothing vouches for it."""
        return self._offset_ns

    def take(self, snapshot: Snapshot, arrived_ns: int, is_first: bool) -> bool:
        """Look at a snapshot that arrived at a monotonic instant; return whether time became known by it.

        is_first: the first of a connection may have been lying there, so its time may be old.
        """
        if not snapshot.utc_trusted:
            self._offset_ns = None
            return False
        if self._offset_ns is not None or is_first:
            return False
        self._offset_ns = snapshot.utc_ns - arrived_ns
        return True

    def moment(self, mono_ns: int) -> Moment:
        """Return a monotonic instant as a moment, with wall time where it is known."""
        return Moment(self._boot_id, mono_ns, None if self._offset_ns is None else mono_ns + self._offset_ns)
