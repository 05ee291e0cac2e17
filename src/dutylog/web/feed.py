"""The newest snapshot, as the pages share it (shared/SNAPSHOT.md)."""

from __future__ import annotations

import asyncio
from dataclasses import asdict
from typing import TYPE_CHECKING

from dutylog.clock import Clock
from dutylog.publish.core_link import CoreWord, Received
from dutylog.units import NS_PER_S

if TYPE_CHECKING:
    from dutylog.web.publish_watch import PublishNow


class LiveFeed(CoreWord):
    """Holds the newest snapshot; readers wait for a newer one and never queue older ones."""

    def __init__(self, clock: Clock) -> None:
        super().__init__(clock)
        self._changed = asyncio.Event()
        self.closed = False
        self.publish: PublishNow | None = None

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

    def _take(self, received: Received, before: Received | None) -> None:  # noqa: ARG002
        self._wake()

    def _wake(self) -> None:
        self._changed.set()
        self._changed = asyncio.Event()
