"""Server-sent events: each phone gets the newest snapshot whenever it can take one; all phones share its text."""

from __future__ import annotations

import json
from collections.abc import AsyncIterator
from typing import Any

from sse_starlette import EventSourceResponse, ServerSentEvent
from starlette.responses import PlainTextResponse, Response
from starlette.types import Receive, Scope, Send

from dutylog.web.answers import live_object
from dutylog.web.feed import LiveFeed
from dutylog.web.settings import WebSettings

_SEND_TIMEOUT_S = 10.0
"""A phone out of reach for this long is let go; it comes back by itself. Source: judgement."""
_RETRY_MS = 2000
_SHARED_S = 0.1
"""How long a text made for one phone does for the others: its age and time of sending are wrong by no more."""


class LiveText:
    """The newest event in bytes. It is made once for all phones that are waiting, which is most of what they cost."""

    def __init__(self, feed: LiveFeed) -> None:
        self.feed = feed
        self._number = 0
        self._made_s = 0.0
        self._event = b""

    def event(self, number: int) -> bytes:
        """Return the event of a change; made anew once it is no longer fresh, as for a phone that comes later."""
        now_s = self.feed.mono_s()
        if number != self._number or now_s - self._made_s > _SHARED_S:
            data = _compact(live_object(self.feed))
            event = ServerSentEvent(data=data, event="snapshot", id=str(number), retry=_RETRY_MS, sep="\n")
            self._event = event.encode()
            self._number, self._made_s = number, now_s
        return self._event


class ClientLimit:
    """Counts open live connections against the most that are allowed."""

    def __init__(self, most: int) -> None:
        self.most = most
        self.now = 0
        self.refused_count = 0


class LiveResponse(Response):
    """Takes a place among the clients while it streams, answers 503 when there is none."""

    def __init__(self, text: LiveText, clients: ClientLimit, settings: WebSettings) -> None:
        super().__init__()
        self._text = text
        self._clients = clients
        self._settings = settings

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        clients = self._clients
        if clients.now >= clients.most:
            clients.refused_count += 1
            text = f"{clients.most} screens are open, no more fit; close one and reload\n"
            await PlainTextResponse(text, 503, {"Retry-After": "10"})(scope, receive, send)
            return
        clients.now += 1
        try:
            stream = EventSourceResponse(
                _events(self._text),
                ping=self._settings.ping_s,
                ping_message_factory=_ping,
                send_timeout=_SEND_TIMEOUT_S,
                sep="\n",
            )
            with self._text.feed.screen():
                await self._text.feed.look()
                await stream(scope, receive, send)
        finally:
            clients.now -= 1


async def _events(text: LiveText) -> AsyncIterator[bytes]:
    """Yield the newest snapshot, then each newer one; those that came while sending are skipped."""
    number = 0
    while (newer := await text.feed.wait_after(number)) is not None:
        number = newer
        yield text.event(number)


def _ping() -> ServerSentEvent:
    # an event, not a comment: the page's script can't see comments and must notice a dead line
    return ServerSentEvent(data="{}", event="ping", sep="\n")


def _compact(value: dict[str, Any]) -> str:
    return json.dumps(value, allow_nan=False, separators=(",", ":"))
