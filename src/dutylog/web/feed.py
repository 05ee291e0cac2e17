"""The newest snapshot, as the pages share it (shared/SNAPSHOT.md)."""

from __future__ import annotations

import asyncio
from dataclasses import asdict, dataclass
from typing import TYPE_CHECKING

from dutylog.clock import Clock
from dutylog.errors import FrameError
from dutylog.publish.core_link import FeedCounters
from dutylog.publish.snapshot import Snapshot, parse_snapshot
from dutylog.units import NS_PER_S

if TYPE_CHECKING:
    from dutylog.web.publish_watch import PublishNow

LIVE = "live"
STALE = "stale"
WAITING = "waiting"
STALE_AFTER_S = 3.0
"""Core pushes once a second; three missed ones aren't chance any more. Source: judgement."""


@dataclass(frozen=True, slots=True)
class Received:
    """A snapshot with its number in this process, counted from 1, and when it came [mono ns]."""

    number: int
    snapshot: Snapshot
    received_ns: int


class LiveFeed:
    """Holds the newest snapshot; readers wait for a newer one and never queue older ones."""

    def __init__(self, clock: Clock) -> None:
        self._clock = clock
        self._newest: Received | None = None
        self._changed = asyncio.Event()
        self.counters = FeedCounters()
        self.connected = False
        self.closed = False
        self.last_problem = ""
        self.publish: PublishNow | None = None

    @property
    def newest(self) -> Received | None:
        """Return the newest snapshot, or None before the first."""
        return self._newest

    def accept_line(self, line: bytes) -> bool:
        """Take one line of the socket; False when it was no snapshot (counted) or nothing new."""
        self.counters.lines_count += 1
        try:
            snapshot = parse_snapshot(line)
        except FrameError as err:
            self.counters.garbled_count += 1
            self.last_problem = str(err)
            return False
        before = self._newest
        if before and (before.snapshot.boot_id, before.snapshot.seq) == (snapshot.boot_id, snapshot.seq):
            self.counters.repeated_count += 1
            return False
        number = before.number + 1 if before else 1
        self._newest = Received(number, snapshot, self._clock.mono_ns())
        self._wake()
        return True

    def age_s(self) -> float | None:
        """Return how old the newest readings are [s], None before the first.

        That is how long ago their snapshot came, and how long core had been unable to read on by then.
        """
        if self._newest is None:
            return None
        waited_s = max(0.0, (self._clock.mono_ns() - self._newest.received_ns) / NS_PER_S)
        return self._newest.snapshot.standing_s + waited_s

    def link(self) -> str:
        """Return LIVE, STALE or WAITING."""
        age_s = self.age_s()
        if age_s is None:
            return WAITING
        return STALE if age_s > STALE_AFTER_S else LIVE

    async def wait_after(self, number: int) -> Received | None:
        """Return the newest snapshot as soon as its number is above `number`; None once closed."""
        while not self.closed:
            if self._newest is not None and self._newest.number > number:
                return self._newest
            await self._changed.wait()
        return None

    def close(self) -> None:
        """End every wait: the process is about to stop."""
        self.closed = True
        self._wake()

    def mono_s(self) -> float:
        """Return this process's monotonic time [s]."""
        return self._clock.mono_ns() / NS_PER_S

    def counters_dict(self) -> dict[str, int]:
        """Return the counters for /health."""
        return asdict(self.counters)

    def _wake(self) -> None:
        self._changed.set()
        self._changed = asyncio.Event()
