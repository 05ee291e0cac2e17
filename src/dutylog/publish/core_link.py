"""The line to core: its stream cut into lines, lost and found again with back-off (shared/SNAPSHOT.md)."""

from __future__ import annotations

import asyncio
from dataclasses import dataclass
from pathlib import Path
from typing import Protocol

from dutylog.publish.snapshot import MAX_LINE_BYTES, SOCKET_NAME
from dutylog.sockets import unix_address

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


class LineTaker(Protocol):
    """Who reads core's lines: the feed of the pages, or the intake of what is published."""

    counters: FeedCounters
    connected: bool
    last_problem: str

    def accept_line(self, line: bytes) -> bool:
        """Take one line; False when it was no snapshot or nothing new."""
        ...


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

    def __init__(self, feed: LineTaker, data_dir: Path) -> None:
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
                self._feed.last_problem = f"no core at {self._data_dir / SOCKET_NAME}: {err.strerror or err}"
            await asyncio.sleep(_BACK_OFF_S[min(failures, len(_BACK_OFF_S) - 1)])

    async def _read_until_closed(self) -> bool:
        with unix_address(self._data_dir, SOCKET_NAME) as path:
            reader, writer = await asyncio.open_unix_connection(path)
        counters = self._feed.counters
        counters.connects_count += 1
        self._feed.connected = True
        splitter = LineSplitter()
        oversized_before = counters.oversized_count
        got_lines = False
        try:
            while data := await reader.read(_CHUNK_BYTES):
                for line in splitter.push(data):
                    got_lines = self._feed.accept_line(line) or got_lines
                counters.oversized_count = oversized_before + splitter.oversized_count
        finally:
            self._feed.connected = False
            counters.disconnects_count += 1
            writer.close()
        return got_lines
