"""Everything on the pages that changes something: POST alone, signed in, with the session's own token.

A new write is one line in `add_writes` and one function; the checks are the same for all (shared/ACCESS.md).
"""

from __future__ import annotations

import re
from collections.abc import Awaitable, Callable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any
from urllib.parse import quote

from fastapi import FastAPI, Request
from fastapi.responses import JSONResponse, RedirectResponse, Response
from starlette.concurrency import run_in_threadpool
from starlette.exceptions import HTTPException
from starlette.types import Scope

from dutylog.errors import InputError, LedgerError, one_line
from dutylog.ledger.client import send_command
from dutylog.life.words import say_no_profile
from dutylog.web.access import NO_CODE_TEXT, Access, Refused, make_cookie, viewer_in
from dutylog.web.access_body import read_fields
from dutylog.web.access_sessions import Session
from dutylog.web.answers import envelope
from dutylog.web.keys import find_damper
from dutylog.web.life_view import LifeBasis
from dutylog.web.life_writes import make_dirt, make_mark, make_service, make_use, make_withdrawal
from dutylog.web.one_file import read_with_file
from dutylog.web.pages import Pages
from dutylog.web.review_view import KEY
from dutylog.web.review_writes import make_care, make_load, make_road
from dutylog.web.trip_writes import make_merge, make_not_driven, make_split, make_undo
from dutylog.web.view import LedgerView

CSRF_HEADER = "x-csrf"
CSRF_FIELD = "csrf"
_READ = ["GET", "HEAD"]
_NEXT = re.compile(r"/(?:trips/[1-9][0-9]{0,8}(?:\.[1-9][0-9]{0,3})?|trips|dampers)?", re.ASCII)
"""Pages of ours that may follow a sign-in; anything else could lead elsewhere."""
WRITE_PATHS = re.compile(
    r"/(?:sign-in|sign-out|alerts/[^/]{1,40}/acknowledge|trips/[^/]{1,20}/(?:name|dirt|care|load|road|again|split|merge|not-driven|undo)"
    r"|dampers/[^/]{1,64}/(?:service|mark|use|withdraw|card|record))",
    re.ASCII,
)
"""The guard lets a POST pass to these and to nothing else."""
MakeOfTrip = Callable[[str, Mapping[str, str]], dict[str, Any]]
MakeOfDamper = Callable[[LifeBasis, str, Mapping[str, str]], dict[str, Any]]


@dataclass(frozen=True, slots=True)
class Write:
    """A request that passed every check. params: of its path. fields, file: of its body."""

    session: Session
    params: Mapping[str, str]
    fields: Mapping[str, str]
    file: bytes | None = None


@dataclass(frozen=True, slots=True)
class Done:
    """What a write has to say, and the page to go to where it came from a form.

    show: makes the page that answers a form instead, where there is more to read than a line.
    """

    text: str
    see: str
    show: Callable[[Scope], Response] | None = None


def add_writes(app: FastAPI, access: Access, pages: Pages, view: LedgerView, data_dir: Path | None) -> None:
    """Add sign-in, sign-out and every write."""
    _add_sign_in(app, access, pages)
    _add_sign_out(app, access, pages)

    async def acknowledge(write: Write) -> Done:
        request = {"command": "acknowledge", "alert": write.params["alert"], "by": write.session.name}
        return Done(await _command(data_dir, request), "/")

    async def rename(write: Write) -> Done:
        key = _trip_key(write.params["key"])
        name = write.fields.get("name", "").strip() or None
        text = await _command(data_dir, {"command": "rename_trip", "trip": key, "name": name})
        return Done(text, f"/trips/{key}")

    async def dirt(write: Write) -> Done:
        key = _trip_key(write.params["key"])
        # Mud is told of the whole trip.
        number = int(key.partition(".")[0])
        return Done(await _tell(data_dir, write, lambda: make_dirt(number, write.fields)), f"/trips/{key}")

    def of_trip(make: MakeOfTrip) -> Callable[[Write], Awaitable[Done]]:
        async def do(write: Write) -> Done:
            key = _trip_key(write.params["key"])
            return Done(await _tell(data_dir, write, lambda: make(key, write.fields)), f"/trips/{key}")

        return do

    def repair(make: MakeOfTrip) -> Callable[[Write], Awaitable[Done]]:
        async def do(write: Write) -> Done:
            key = _trip_key(write.params["key"])
            # The part that was looked at may be gone, or called otherwise: the whole trip leads on.
            first = write.fields.get("before", key) if make is make_merge else key
            text = await _tell(data_dir, write, lambda: make(key, write.fields))
            return Done(text, f"/trips/{first.partition('.')[0]}")

        return do

    async def undo(write: Write) -> Done:
        key = _trip_key(write.params["key"])
        whole = key.partition(".")[0]

        def make() -> dict[str, Any]:
            request = make_undo(write.fields)
            detail = view.trip(whole)
            if detail is None or all(one.row != request["entry"] for one in detail.repairs):
                raise HTTPException(404, f"entry {request['entry']} is no repair of trip {key}; open its page again")
            return request

        return Done(await _tell(data_dir, write, make), f"/trips/{whole}")

    def of_damper(make: MakeOfDamper) -> Callable[[Write], Awaitable[Done]]:
        async def do(write: Write) -> Done:
            key = write.params["key"]
            basis = await run_in_threadpool(find_damper, key, view.life)
            if basis.parts is None and make is make_service:
                raise HTTPException(409, say_no_profile(basis.label, basis.profile))
            text = await _tell(data_dir, write, lambda: make(basis, key, write.fields))
            return Done(text, f"/dampers/{quote(key, safe='')}/life")

        return do

    add_write(app, access, "/alerts/{alert}/acknowledge", acknowledge)
    add_write(app, access, "/trips/{key}/name", rename)
    add_write(app, access, "/trips/{key}/dirt", dirt)
    add_write(app, access, "/trips/{key}/care", of_trip(make_care))
    add_write(app, access, "/trips/{key}/load", of_trip(make_load))
    add_write(app, access, "/trips/{key}/road", of_trip(make_road))
    add_write(app, access, "/trips/{key}/split", repair(make_split))
    add_write(app, access, "/trips/{key}/merge", repair(make_merge))
    add_write(app, access, "/trips/{key}/not-driven", repair(make_not_driven))
    add_write(app, access, "/trips/{key}/undo", undo)
    add_write(app, access, "/dampers/{key}/service", of_damper(make_service))
    add_write(app, access, "/dampers/{key}/mark", of_damper(make_mark))
    add_write(app, access, "/dampers/{key}/use", of_damper(make_use))
    add_write(app, access, "/dampers/{key}/withdraw", of_damper(make_withdrawal))


def wants_json(request: Request) -> bool:
    """Return whether a script asked, which gets JSON where a form gets a page."""
    return CSRF_HEADER in request.headers or "application/json" in request.headers.get("accept", "")


def add_write(
    app: FastAPI, access: Access, path: str, do: Callable[[Write], Awaitable[Done]], file_bytes: int = 0
) -> None:
    """Add one write: `do` gets a request that passed every check. file_bytes: most of a file that may come along."""

    @app.post(path)
    async def write(request: Request) -> Response:
        session, fields, file = await _authorise(request, access, file_bytes)
        done = await do(Write(session, request.path_params, fields, file))
        if wants_json(request):
            return JSONResponse(envelope(ok=True, text=done.text))
        if done.show is not None:
            return done.show(request.scope)
        return RedirectResponse(done.see, status_code=303)


async def _authorise(
    request: Request, access: Access, file_bytes: int = 0
) -> tuple[Session, dict[str, str], bytes | None]:
    """Return session, fields and file of a write; HTTPException when it may not be done."""
    if viewer_in(request.scope).session is None:
        raise HTTPException(401, "sign in first, at /sign-in" if access.is_set else NO_CODE_TEXT)
    fields, file = await read_with_file(request, file_bytes)
    # Asked again: while the body came, the session may have ended.
    session = access.session_of(request.scope)
    if session is None:
        raise HTTPException(401, "sign in first, at /sign-in")
    given = request.headers.get(CSRF_HEADER) or fields.get(CSRF_FIELD, "")
    if not session.has_csrf(given):
        raise HTTPException(403, "the page is from before you signed in; open it again and repeat it")
    return session, fields, file


async def _tell(data_dir: Path | None, write: Write, make: Callable[[], dict[str, Any]]) -> str:
    """Have core write down what the person who is signed in tells; return its line."""
    try:
        request = await run_in_threadpool(make)
    except InputError as err:
        raise HTTPException(400, one_line(err, 300)) from err
    return await _command(data_dir, {**request, "by": write.session.name})


async def _command(data_dir: Path | None, request: dict[str, Any]) -> str:
    """Have core make a change, in a thread; return its line."""
    if data_dir is None:
        raise HTTPException(503, "these pages have no data folder; nothing was changed")
    try:
        reply = await run_in_threadpool(send_command, data_dir, request)
    except InputError as err:
        raise HTTPException(400, one_line(err, 300)) from err
    except LedgerError as err:
        raise HTTPException(503, one_line(err, 300)) from err
    if reply is None:
        raise HTTPException(503, "the logger isn't running; nothing was changed")
    if reply.get("ok") is not True:
        raise HTTPException(409, one_line(reply.get("error", "refused without a reason"), 300))
    return one_line(reply.get("text", "done"), 300)


def _add_sign_in(app: FastAPI, access: Access, pages: Pages) -> None:
    @app.api_route("/sign-in", methods=_READ)
    async def form(request: Request) -> Response:
        return pages.seen_by(request.scope).sign_in(_next(request.query_params.get("next")))

    @app.post("/sign-in")
    async def sign_in(request: Request) -> Response:
        fields = await read_fields(request)
        name, then = fields.get("name", ""), _next(fields.get("next"))
        address = request.client.host if request.client else ""
        found = await access.sign_in(address, name, fields.get("code", ""))
        if isinstance(found, Refused):
            headers = {"Retry-After": str(max(1, round(found.wait_s)))} if found.wait_s else None
            if wants_json(request):
                raise HTTPException(found.status, found.text, headers)
            return pages.seen_by(request.scope).sign_in(then, found, name[:80], headers)
        access.sign_out(request.scope)
        token, session = found
        cookie = {"Set-Cookie": make_cookie(token, request.scope["scheme"])}
        if wants_json(request):
            return JSONResponse(envelope(ok=True, name=session.name, csrf=session.csrf), headers=cookie)
        return RedirectResponse(then, 303, cookie)


def _add_sign_out(app: FastAPI, access: Access, pages: Pages) -> None:
    @app.api_route("/sign-out", methods=_READ)
    async def form(request: Request) -> Response:
        return pages.seen_by(request.scope).sign_out()

    @app.post("/sign-out")
    async def sign_out(request: Request) -> Response:
        await _authorise(request, access)
        access.sign_out(request.scope)
        cookie = {"Set-Cookie": make_cookie("", request.scope["scheme"])}
        if wants_json(request):
            return JSONResponse(envelope(ok=True, text="signed out"), headers=cookie)
        return RedirectResponse("/", 303, cookie)


def _trip_key(text: str) -> str:
    if not KEY.fullmatch(text):
        raise HTTPException(400, f"{text[:40]!a} is no trip number; open the list of trips again")
    return text


def _next(text: str | None) -> str:
    """Return the page to go to after sign-in, the live page when it isn't one of ours."""
    return text if text is not None and _NEXT.fullmatch(text) else "/"
