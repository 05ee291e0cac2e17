"""The newest snapshot, as the pages share it (shared/SNAPSHOT.md)."""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import asdict
from typing import TYPE_CHECKING, ClassVar

from dutylog.clock import Clock
from dutylog.publish.core_link import CoreWord, Received
from dutylog.sockets import RESTING, WATCHED
from dutylog.units import NS_PER_S

if TYPE_CHECKING:
    from dutylog.web.publish_watch import PublishNow


LINGER_S = 10.0
"""So long after somebody looked the next look is waited for: a page loaded anew, a phone that was away. Judgement."""
FRESH_S = 0.8
"""So long at most whoever begins to look waits for a snapshot of now. Core needs two rounds of a tenth of a second each
and what it takes to count some seconds; later there is trouble, which is to be seen. Less than `dutylog check` gives
the page for an answer. Judgement."""


class LiveFeed(CoreWord):
    """Holds the newest snapshot; readers wait for a newer one and never queue older ones.

    Tells core when nobody looks any more, so that it may rest, and when somebody does again (shared/SNAPSHOT.md).

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
        self._tell_core: Callable[[bytes], None] | None = None
        self._screens_count = 0
        self._looked_s = self.mono_s()
        self._rests = False
        self._is_waking = False

    def line_up(self, say: Callable[[bytes], None]) -> None:
        """Note that core is reached and begins as if somebody looked."""
        super().line_up(say)
        self._tell_core, self._rests = say, False

    def line_down(self) -> None:
        """Note that core is out of reach."""
        super().line_down()
        self._tell_core, self._rests = None, False
        self._is_waking = False
        self._wake()

    async def look(self) -> None:
        """Note that somebody looks; where core rests, wake it and wait for what it says, FRESH_S at most."""
        self._looked_s = self.mono_s()
        if self._rests and self._tell_core is not None:
            self._rests, self._is_waking = False, True
            self._tell_core(WATCHED)
        try:
            async with asyncio.timeout(FRESH_S):
                while self._is_waking and not self.closed:
                    await self._changed.wait()
        except TimeoutError:
            self._is_waking = False  # it is waited for once, not by everybody who comes

    @contextmanager
    def screen(self) -> Iterator[None]:
        """Count a screen that stays open as somebody who looks."""
        self._screens_count += 1
        try:
            yield
        finally:
            self._screens_count -= 1
            self._looked_s = self.mono_s()

    def _rest_if_unseen(self) -> None:
        is_seen = self._screens_count > 0 or self.mono_s() - self._looked_s < LINGER_S
        if not (is_seen or self._rests) and self._tell_core is not None:
            self._rests = True
            self._tell_core(RESTING)

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
        self._is_waking = False
        self._change()
        self._rest_if_unseen()

    def _change(self) -> None:
        self.changes_count += 1
        self._wake()

    def _wake(self) -> None:
        self._changed.set()
        self._changed = asyncio.Event()
