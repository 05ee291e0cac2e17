"""The line to core: its stream cut into snapshots, lost and found again with back-off (shared/SNAPSHOT.md)."""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import ClassVar

from dutylog import sockets
from dutylog.clock import Clock
from dutylog.errors import FrameError
from dutylog.publish.snapshot import MAX_LINE_BYTES, Snapshot, parse_snapshot
from dutylog.units import NS_PER_S

LIVE = "live"
STALE = "stale"
WAITING = "waiting"
STALE_AFTER_S = 3.0
"""Core pushes once a second while somebody looks; three missed ones aren't chance any more. Source: judgement."""

_CHUNK_BYTES = 64 * 1024
_BACK_OFF_S = (0.1, 0.2, 0.5, 1.0, 2.0)
"""Waits between attempts to reach core; the last one repeats: a restart of core shows within 2 s."""


@dataclass(slots=True)
class FeedCounters:
    """What happened on the socket since this process started."""

    lines_count: int = 0
    garbled_count: int = 0
    oversized_count: int = 0
    repeated_count: int = 0
    connects_count: int = 0
    disconnects_count: int = 0


@dataclass(frozen=True, slots=True)
class Received:
    """A snapshot with its number in this process, counted from 1, and when it came [mono ns]."""

    number: int
    snapshot: Snapshot
    received_ns: int


class CoreWord:
    """What core said last and how old that is; parent of the pages' feed and of the intake of what is published.

    allowance_s: by how much readings may be older where a network lies between core and us.
    """

    allowance_s: ClassVar[float] = 0.0

    def __init__(self, clock: Clock) -> None:
        self._clock = clock
        self._newest: Received | None = None
        self.counters = FeedCounters()
        self.connected = False
        self.last_problem = ""

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
        return self.accept(snapshot)

    def accept(self, snapshot: Snapshot, late_s: float = 0.0) -> bool:
        """Take a snapshot; False when it is nothing new. late_s: how long it was under way beyond the usual [s]."""
        before = self._newest
        if before and (before.snapshot.boot_id, before.snapshot.seq) == (snapshot.boot_id, snapshot.seq):
            self.counters.repeated_count += 1
            return False
        received_ns = self._clock.mono_ns() - round(late_s * NS_PER_S)
        self._newest = Received(before.number + 1 if before else 1, snapshot, received_ns)
        self._take(self._newest, before)
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
        return STALE if age_s > STALE_AFTER_S + self.allowance_s else LIVE

    def line_up(self, say: Callable[[bytes], None]) -> None:  # noqa: ARG002 - what is published is always looked at
        """Note that core is reached; say: tells it whether somebody looks, which it takes for granted at first."""
        self.counters.connects_count += 1
        self.connected = True

    def line_down(self) -> None:
        """Note that core is out of reach."""
        self.counters.disconnects_count += 1
        self.connected = False

    def _take(self, received: Received, before: Received | None) -> None:
        """Do something with a new snapshot."""
        raise NotImplementedError


class LineSplitter:
    """Cuts a byte stream into lines; a line longer than `limit` is dropped and counted once."""

    def __init__(self, limit: int = MAX_LINE_BYTES) -> None:
        self._limit = limit
        self._rest = bytearray()
        self._dropping = False
        self.oversized_count = 0

    def push(self, data: bytes) -> list[bytes]:
        """Take bytes and return the lines that are complete, without line feed, empty ones left out."""
        lines = []
        *ends, rest = data.split(b"\n")
        for part in ends:
            self._extend(part)
            if not self._dropping and self._rest:
                lines.append(bytes(self._rest))
            self._rest.clear()
            self._dropping = False
        self._extend(rest)
        return lines

    def _extend(self, part: bytes) -> None:
        if self._dropping:
            return
        if len(self._rest) + len(part) > self._limit:
            self._dropping = True
            self.oversized_count += 1
            self._rest.clear()
            return
        self._rest += part


class SocketReader:
    """Connects to core's socket in the data folder and keeps connecting, with back-off."""

    def __init__(self, feed: CoreWord, data_dir: Path) -> None:
        self._feed = feed
        self._data_dir = data_dir

    async def run(self) -> None:
        """Read for ever; ends by being cancelled."""
        failures = 0
        while True:
            try:
                got_lines = await self._read_until_closed()
                failures = 0 if got_lines else failures + 1
                self._feed.last_problem = "core closed the connection"
            except OSError as err:
                failures += 1
                self._feed.last_problem = f"no core at {self._data_dir / sockets.LIVE}: {err.strerror or err}"
            await asyncio.sleep(_BACK_OFF_S[min(failures, len(_BACK_OFF_S) - 1)])

    async def _read_until_closed(self) -> bool:
        with sockets.unix_address(self._data_dir, sockets.LIVE) as path:
            reader, writer = await asyncio.open_unix_connection(path)
        counters = self._feed.counters
        self._feed.line_up(writer.write)
        splitter = LineSplitter()
        oversized_before = counters.oversized_count
        got_lines = False
        try:
            while data := await reader.read(_CHUNK_BYTES):
                for line in splitter.push(data):
                    got_lines = self._feed.accept_line(line) or got_lines
                counters.oversized_count = oversized_before + splitter.oversized_count
        finally:
            self._feed.line_down()
            writer.close()
        return got_lines
