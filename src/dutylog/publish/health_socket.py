"""Answers how publishing is doing: one JSON line on a Unix socket for whoever asks (shared/TOPICS.md)."""

from __future__ import annotations

import asyncio
import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

from dutylog.errors import OutputError
from dutylog.sockets import PUBLISH, forget, listen

LINE_LIMIT = 64 * 1024
_ASKERS = 8
_SEND_S = 1.0


class HealthSocket:
    """Answers on DATA/publish.sock: connect, one line, closed. What an asker sends is never read."""

    def __init__(self, data_dir: Path, tell: Callable[[], dict[str, Any]]) -> None:
        """tell: makes the object at each question."""
        self._data_dir = data_dir
        self._tell = tell
        self._server: asyncio.Server | None = None
        self._now = 0

    async def start(self) -> None:
        """Listen; OutputError where that can't be done."""
        try:
            end = listen(self._data_dir, PUBLISH, _ASKERS)
        except OSError as err:
            where = self._data_dir / PUBLISH
            raise OutputError(f"{where}: can't listen there ({err.strerror}); check that data folder") from err
        self._server = await asyncio.start_unix_server(self._answer, sock=end)

    async def close(self) -> None:
        """Stop listening and take the name away."""
        if self._server is not None:
            self._server.close()
            forget(self._data_dir, PUBLISH)

    async def _answer(self, _reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        self._now += 1
        try:
            if self._now <= _ASKERS:
                writer.write(json.dumps(self._tell(), allow_nan=False).encode() + b"\n")
                await asyncio.wait_for(writer.drain(), _SEND_S)
        except (OSError, TimeoutError):
            writer.transport.abort()
        finally:
            self._now -= 1
            writer.close()
