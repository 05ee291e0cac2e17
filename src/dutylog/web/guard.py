"""The gate in front of every page: method, length and host of a request, headers of each answer."""

from __future__ import annotations

import logging
from dataclasses import dataclass

from starlette.datastructures import Headers, MutableHeaders
from starlette.responses import PlainTextResponse, Response
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from dutylog.web.settings import WebSettings, host_of_header, is_own_host

MAX_PATH_BYTES = 1024
MAX_QUERY_BYTES = 1024
CONTENT_SECURITY_POLICY = (
    "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self'; connect-src 'self'; "
    "base-uri 'none'; form-action 'self'; frame-ancestors 'none'"
)
SECURITY_HEADERS = {
    "Content-Security-Policy": CONTENT_SECURITY_POLICY,
    "X-Content-Type-Options": "nosniff",
    "Referrer-Policy": "no-referrer",
    "Cross-Origin-Opener-Policy": "same-origin",
    "Cross-Origin-Resource-Policy": "same-origin",
}
"""Source: W3C Content Security Policy Level 3; WHATWG Fetch (nosniff, Cross-Origin-Resource-Policy)."""
FAILED_TEXT = "the page failed; the log says why, the rest goes on"

_log = logging.getLogger(__name__)


@dataclass(slots=True)
class GuardCounters:
    """Requests turned away and requests that failed inside, for /health."""

    refused_count: int = 0
    failed_count: int = 0


class Guard:
    """ASGI middleware that wraps the whole application, its error answers included."""

    def __init__(self, app: ASGIApp, settings: WebSettings, counters: GuardCounters) -> None:
        self._app = app
        self._settings = settings
        self._counters = counters

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] == "lifespan":
            await self._app(scope, receive, send)
            return
        if scope["type"] != "http":
            await send({"type": "websocket.close", "code": 1008})
            return
        answer = _Answer(send)
        refusal = self._refuse(scope)
        if refusal is not None:
            self._counters.refused_count += 1
            await refusal(scope, receive, answer)
            return
        try:
            await self._app(scope, receive, answer)
        except Exception:  # noqa: BLE001 - the one catch-all of this process: logged, counted, answered
            self._counters.failed_count += 1
            _log.exception("page %s failed", ascii(scope["path"][:200]))
            if not answer.started:
                await _line(500, FAILED_TEXT)(scope, receive, answer)

    def _refuse(self, scope: Scope) -> Response | None:
        """Return the answer to a request we don't take, None for one we do."""
        if scope["method"] not in ("GET", "HEAD"):
            return _line(405, "these pages only read: use GET", {"Allow": "GET, HEAD"})
        hosts = Headers(scope=scope).getlist("host")
        host = host_of_header(hosts[0]) if len(hosts) == 1 else None
        if host is None:
            return _line(400, "the request needs one valid Host header")
        if not is_own_host(host, self._settings):
            return _line(421, f"this is not {host[:80]!a}; open {self._settings.address}")
        if len(scope["raw_path"] or b"") > MAX_PATH_BYTES or len(scope["query_string"]) > MAX_QUERY_BYTES:
            return _line(414, f"the address is too long; at most {MAX_QUERY_BYTES} bytes of query")
        return None


class _Answer:
    """Passes an answer on with the security headers added, and remembers that it began."""

    def __init__(self, send: Send) -> None:
        self._send = send
        self.started = False

    async def __call__(self, message: Message) -> None:
        if message["type"] == "http.response.start":
            self.started = True
            headers = MutableHeaders(scope=message)
            for name, value in SECURITY_HEADERS.items():
                headers[name] = value
            if "cache-control" not in headers:
                headers["Cache-Control"] = "no-store"
        await self._send(message)


def _line(status: int, text: str, headers: dict[str, str] | None = None) -> Response:
    return PlainTextResponse(text + "\n", status_code=status, headers=headers)
