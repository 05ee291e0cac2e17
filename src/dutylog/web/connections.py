"""Connections that don't come to the point are ended, and there are only so many of them."""

from __future__ import annotations

import asyncio
from typing import Any

from uvicorn.protocols.http.h11_impl import H11Protocol

from dutylog.web.access import is_loopback

HEAD_S = 20.0
"""So long a connection may be without a whole request; more than uvicorn's own 15 s between two. Judgement."""
HANDSHAKE_S = 10.0
MOST_CONNECTIONS = 192
MOST_OF_ONE = 48
"""Of one address of another machine: a phone holds one for events and up to six beside it. Judgement."""


class PatientProtocol(H11Protocol):
    """uvicorn's HTTP, which alone would wait for ever for the end of a request's head, or for a reader that stalls."""

    _deadline: asyncio.TimerHandle | None = None

    def connection_made(self, transport: asyncio.Transport) -> None:  # type: ignore[override]
        super().connection_made(transport)
        if self._are_too_many():
            transport.abort()
            return
        self._expect()

    def data_received(self, data: bytes) -> None:
        super().data_received(data)
        if self._is_busy():
            self._relax()

    def on_response_complete(self) -> None:
        super().on_response_complete()
        if not self._is_busy():
            self._expect()

    def connection_lost(self, exc: Exception | None) -> None:
        self._relax()
        super().connection_lost(exc)

    def _is_busy(self) -> bool:
        return self.cycle is not None and not self.cycle.response_complete

    def _are_too_many(self) -> bool:
        if len(self.connections) > MOST_CONNECTIONS:
            return True
        address = self.client[0] if self.client else None
        if is_loopback(address):
            return False
        ours = [other for other in self.connections if isinstance(other, PatientProtocol) and other.client]
        return sum(other.client is not None and other.client[0] == address for other in ours) > MOST_OF_ONE

    def _expect(self) -> None:
        self._relax()
        self._deadline = self.loop.call_later(HEAD_S, self._give_up)

    def _relax(self) -> None:
        if self._deadline is not None:
            self._deadline.cancel()
            self._deadline = None

    def _give_up(self) -> None:
        # Not closed: that would wait until everything sent is taken, which may be never.
        self.transport.abort()


class PageLoop(asyncio.SelectorEventLoop):
    """asyncio's own, with less patience for a TLS handshake than its minute."""

    async def create_server(self, *args: Any, **options: Any) -> Any:
        if options.get("ssl") is not None:
            options.setdefault("ssl_handshake_timeout", HANDSHAKE_S)
        return await super().create_server(*args, **options)
