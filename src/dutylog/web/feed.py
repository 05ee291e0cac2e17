"""The newest snapshot, as the pages share it (shared/SNAPSHOT.md)."""

from __future__ import annotations

import asyncio
from dataclasses import asdict
from typing import TYPE_CHECKING, ClassVar

from dutylog.clock import Clock
from dutylog.publish.core_link import CoreWord, Received
from dutylog.units import NS_PER_S

if TYPE_CHECKING:
    from dutylog.web.publish_watch import PublishNow


class LiveFeed(CoreWord):
    """Holds the newest snapshot; readers wait for a newer one and never queue older ones.

    peer: who talks to us, as /health names it. changes_count: snapshots and notices so far. notice: what is wrong
    with the way to us, one line for people, empty when nothing is.
    """

    peer: ClassVar[str] = "core"

    def __init__(self, clock: Clock) -> None:
        super().__init__(clock)
        self._changed = asyncio.Event()
        self.closed = False
        self.publish: PublishNow | None = None
        self.changes_count = 0
        self.notice = ""

    async def wait_after(self, number: int) -> int | None:
        """Return the number of the newest change as soon as it is above `number`; None once closed."""
        while not self.closed:
            if self.changes_count > number:
                return self.changes_count
            await self._changed.wait()
        return None

    def say(self, notice: str) -> None:
        """Show what is wrong with the way to us; empty: nothing any more."""
        if notice != self.notice:
            self.notice = notice
            self._change()

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

    def _take(self, received: Received, before: Received | None) -> None:  # noqa: ARG002
        self._change()

    def _change(self) -> None:
        self.changes_count += 1
        self._wake()

    def _wake(self) -> None:
        self._changed.set()
        self._changed = asyncio.Event()
