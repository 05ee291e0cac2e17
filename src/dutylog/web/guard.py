"""The gate in front of every page: who asks, method, host and origin of a request, headers of each answer."""

from __future__ import annotations

import logging
from collections.abc import Callable
from dataclasses import dataclass
from typing import Protocol

from starlette.datastructures import Headers, MutableHeaders
from starlette.responses import PlainTextResponse, Response
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from dutylog.web.access import REMOTE_TEXT, VIEWER_KEY
from dutylog.web.settings import WebSettings, host_of_header, is_own_host
from dutylog.web.writes import WRITE_PATHS

MAX_PATH_BYTES = 1024
MAX_QUERY_BYTES = 1024
CONTENT_SECURITY_POLICY = (
    "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self'; connect-src 'self'; "
    "base-uri 'none'; form-action 'self'; frame-ancestors 'none'"
)
SECURITY_HEADERS = {
    "Content-Security-Policy": CONTENT_SECURITY_POLICY,
    "X-Content-Type-Options": "nosniff",
    "Referrer-Policy": "same-origin",
    "Permissions-Policy": "camera=(), geolocation=(), microphone=(), payment=(), usb=()",
    "Cross-Origin-Opener-Policy": "same-origin",
    "Cross-Origin-Resource-Policy": "same-origin",
}
"""Source: W3C Content Security Policy Level 3; WHATWG Fetch (nosniff, Cross-Origin-Resource-Policy; with
`no-referrer` a form would send the origin `null`, so it is `same-origin`); W3C Permissions Policy."""
FAILED_TEXT = "the page failed; the log says why, the rest goes on"

_log = logging.getLogger(__name__)


@dataclass(slots=True)
class GuardCounters:
    """Requests turned away and requests that failed inside, for /health."""

    refused_count: int = 0
    failed_count: int = 0


class Gate(Protocol):
    """Whatever knows who sent a request, and which machines may ask at all."""

    def lets_in(self, address: str | None) -> bool:
        """Return whether a machine may see the pages."""
        ...

    def viewer_of(self, scope: Scope) -> object:
        """Return who sent a request, for the scope's VIEWER_KEY."""
        ...


class Guard:
    """ASGI middleware that wraps the whole application, its error answers included.

    Closed by default: a POST passes to `is_write` only, and other machines once there is an access code.
    """

    def __init__(
        self,
        app: ASGIApp,
        settings: WebSettings,
        counters: GuardCounters,
        access: Gate,
        is_write: Callable[[str], object] = WRITE_PATHS.fullmatch,
    ) -> None:
        """is_write: whether a path takes a POST."""
        self._app = app
        self._settings = settings
        self._counters = counters
        self._access = access
        self._is_write = is_write

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
        scope[VIEWER_KEY] = self._access.viewer_of(scope)
        try:
            await self._app(scope, receive, answer)
        except Exception:  # noqa: BLE001 - the one catch-all of this process: logged, counted, answered
            self._counters.failed_count += 1
            _log.exception("page %s failed", ascii(scope["path"][:200]))
            if not answer.started:
                await _line(500, FAILED_TEXT)(scope, receive, answer)

    def _refuse(self, scope: Scope) -> Response | None:
        """Return the answer to a request we don't take, None for one we do."""
        is_write = bool(self._is_write(scope["path"]))
        if scope["method"] not in ("GET", "HEAD") and not (is_write and scope["method"] == "POST"):
            if is_write:
                return _line(405, "only GET and POST are answered here", {"Allow": "GET, HEAD, POST"})
            return _line(405, "these pages only read: use GET", {"Allow": "GET, HEAD"})
        headers = Headers(scope=scope)
        hosts = headers.getlist("host")
        host = host_of_header(hosts[0]) if len(hosts) == 1 else None
        if host is None:
            return _line(400, "the request needs one valid Host header")
        if not is_own_host(host, self._settings):
            return _line(421, f"this is not {host[:80]!a}; open {self._settings.address}")
        if len(scope["raw_path"] or b"") > MAX_PATH_BYTES or len(scope["query_string"]) > MAX_QUERY_BYTES:
            return _line(414, f"the address is too long; at most {MAX_QUERY_BYTES} bytes of query")
        if not self._access.lets_in(scope["client"][0] if scope.get("client") else None):
            return _line(403, REMOTE_TEXT)
        if scope["method"] == "POST" and not is_same_origin(headers, scope["scheme"]):
            return _line(403, f"another site sent this; open {self._settings.address} and do it there")
        return None


def is_same_origin(headers: Headers, scheme: str) -> bool:
    """Return whether a request that writes comes from a page of ours, as far as its browser says.

    What says nothing is no browser of today; it still needs the session's token.
    Source: WHATWG Fetch, 3.2 (browsers send Origin with every POST); W3C Fetch Metadata (Sec-Fetch-Site).
    """
    origins, sites = headers.getlist("origin"), headers.getlist("sec-fetch-site")
    own = f"{scheme}://{headers.get('host', '')}".lower()
    return all(origin.lower() == own for origin in origins) and all(site == "same-origin" for site in sites)


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
