"""What whoever isn't signed in gets: the form for it and nothing else."""

from __future__ import annotations

import re
from urllib.parse import urlencode

from fastapi import Request
from fastapi.responses import JSONResponse, RedirectResponse, Response
from starlette.types import ASGIApp, Receive, Scope, Send

from dutylog.web.access import viewer_in
from dutylog.web.access_sessions import Session
from dutylog.web.answers import envelope
from dutylog.web.bench.frame import Frame
from dutylog.web.writes import wants_json

_READ = ("GET", "HEAD")
_OPEN = re.compile(r"/sign-in|/favicon\.ico|/static/.*", re.DOTALL)
"""What is answered without signing in: the form for it, and our own files."""


class SignedInOnly:
    """ASGI middleware inside the guard: whoever has no session gets the form for it and nothing else."""

    def __init__(self, app: ASGIApp, frame: Frame) -> None:
        self._app = app
        self._frame = frame

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] == "http" and not _OPEN.fullmatch(scope["path"]) and not _session_in(scope):
            request = Request(scope, receive)
            if scope["method"] == "POST" and not wants_json(request):
                answer = await self._frame.again.ask_to_sign_in(request)
            else:
                answer = _send_away(scope)
            await answer(scope, receive, send)
            return
        await self._app(scope, receive, send)


def _session_in(scope: Scope) -> Session | None:
    return viewer_in(scope).session


def _send_away(scope: Scope) -> Response:
    """Return the way to the form for a page that was asked for, one line for anything else."""
    request = Request(scope)
    if scope["method"] in _READ and not wants_json(request):
        query = scope["query_string"].decode("latin-1")
        asked = request.url.path + (f"?{query}" if query else "")
        return RedirectResponse(f"/sign-in?{urlencode({'next': asked[:500]})}", status_code=303)
    return JSONResponse(envelope(error="sign in first, at /sign-in"), status_code=401)
