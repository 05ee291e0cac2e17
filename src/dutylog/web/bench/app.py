"""The bench's application: its routes, and how errors are answered (table of routes in shared/BENCH_ACCESS.md)."""

from __future__ import annotations

import re
from collections.abc import Mapping

from fastapi import FastAPI, Request
from fastapi.responses import JSONResponse, RedirectResponse, Response
from starlette.concurrency import run_in_threadpool
from starlette.exceptions import HTTPException

from dutylog.bench.roles import VIEWER
from dutylog.bench.store.errors import StoreError
from dutylog.bench.store.store import Store
from dutylog.clock import Clock
from dutylog.config.bench import BenchSettings
from dutylog.errors import CardRefused, ConfigError, InputError, one_line
from dutylog.web.access import Refused, make_cookie
from dutylog.web.access_body import read_fields
from dutylog.web.answers import envelope, error_object
from dutylog.web.bench.accounts import COOKIES, BenchAccess
from dutylog.web.bench.board_routes import add_board
from dutylog.web.bench.build_routes import add_build
from dutylog.web.bench.curve_routes import add_curve
from dutylog.web.bench.customer_routes import add_customers
from dutylog.web.bench.damper_routes import add_dampers
from dutylog.web.bench.frame import Frame, Write
from dutylog.web.bench.home_routes import add_home
from dutylog.web.bench.inspection_routes import add_inspection
from dutylog.web.bench.intake_routes import add_intake
from dutylog.web.bench.order_routes import add_order
from dutylog.web.bench.parts_routes import add_parts
from dutylog.web.bench.send_again import MOST_SENT_BYTES, Sent, sign_in_page
from dutylog.web.bench.settings_routes import add_settings
from dutylog.web.bench.signed_in_only import SignedInOnly
from dutylog.web.bench.triage_routes import add_triage
from dutylog.web.guard import FAILED_TEXT, Guard, GuardCounters
from dutylog.web.own_files import add_files
from dutylog.web.settings import WebSettings
from dutylog.web.writes import wants_json

_NEXT = re.compile(r"/(?!/)[A-Za-z0-9/_.~%?&=+-]{0,500}", re.ASCII)
"""An address of ours that may follow a sign-in; anything else could lead elsewhere."""


def create_bench_app(
    store: Store,
    settings: BenchSettings,
    web: WebSettings | None = None,
    access: BenchAccess | None = None,
    clock: Clock | None = None,
) -> FastAPI:
    """Return the application.

    Args:
        store: what the bench knows. settings: of its file.
        web: where it really listens; None: as `settings` say.
        access: who may do what; None: the accounts of `store`.
    """
    doors = access or BenchAccess(store, clock)
    app = FastAPI(docs_url=None, redoc_url=None, openapi_url=None, redirect_slashes=False)
    frame = Frame(app, store, settings, doors, clock)
    app.state.frame = frame
    _add_sign_in(app, frame)
    add_home(app, frame)
    add_intake(app, frame)
    add_inspection(app, frame)
    add_curve(app, frame)
    add_triage(app, frame)
    add_order(app, frame)
    add_build(app, frame)
    add_dampers(app, frame)
    add_board(app, frame)
    add_parts(app, frame)
    add_customers(app, frame)
    add_settings(app, frame)
    add_files(app)
    _add_errors(app, frame)
    _wrap(app, frame, web or WebSettings(settings.listen, settings.port, settings.names, tls=settings.tls))
    return app


def _wrap(app: FastAPI, frame: Frame, web: WebSettings) -> None:
    """Put the guard outside of everything, so that answers to failures carry the headers too."""
    build = app.build_middleware_stack
    counters = GuardCounters()
    app.build_middleware_stack = lambda: Guard(  # type: ignore[method-assign]
        SignedInOnly(build(), frame), web, counters, frame.access, frame.is_write
    )


def _add_sign_in(app: FastAPI, frame: Frame) -> None:
    @app.api_route("/sign-in", methods=["GET", "HEAD"])
    async def form(request: Request) -> Response:
        return _sign_in_page(frame, _next(request.query_params.get("next")))

    @app.post("/sign-in")
    async def sign_in(request: Request) -> Response:
        fields = await read_fields(request, MOST_SENT_BYTES)
        name, then, sent = fields.get("name", ""), _next(fields.get("next")), frame.again.read(fields)
        address = request.client.host if request.client else ""
        found = await frame.access.sign_in(address, name, fields.get("password", ""))
        if isinstance(found, Refused):
            headers = {"Retry-After": str(max(1, round(found.wait_s)))} if found.wait_s else None
            if wants_json(request):
                raise HTTPException(found.status, found.text, headers)
            return _sign_in_page(frame, then, found, name[:80], headers, sent)
        frame.access.sign_out(request.scope)
        token, session = found
        cookie = {"Set-Cookie": make_cookie(token, request.scope["scheme"], COOKIES)}
        if wants_json(request):
            return JSONResponse(envelope(ok=True, name=session.name, csrf=session.csrf), headers=cookie)
        viewer = await run_in_threadpool(frame.access.viewer, session) if sent else None
        if sent and viewer is not None:
            return frame.again.ask_for(viewer, sent, 200, cookie)
        return RedirectResponse(then, 303, cookie)

    @frame.write("/sign-out", least=VIEWER)
    async def sign_out(write: Write) -> Response:
        frame.access.sign_out(write.request.scope)
        cookie = {"Set-Cookie": make_cookie("", write.request.scope["scheme"], COOKIES)}
        if wants_json(write.request):
            return JSONResponse(envelope(ok=True, text="signed out"), headers=cookie)
        return RedirectResponse("/sign-in", 303, cookie)


def _sign_in_page(
    frame: Frame,
    then: str,
    refused: Refused | None = None,
    name: str = "",
    headers: Mapping[str, str] | None = None,
    sent: Sent | None = None,
) -> Response:
    status = refused.status if refused else 200
    return sign_in_page(frame.pages, then, status, headers, refused.text if refused else None, name, sent)


def _next(text: str | None) -> str:
    """Return the page to go to after sign-in, the first one when it isn't one of ours."""
    return text if text is not None and _NEXT.fullmatch(text) else "/"


def _add_errors(app: FastAPI, frame: Frame) -> None:
    async def answer(request: Request, status: int, text: str, headers: Mapping[str, str] | None = None) -> Response:
        if wants_json(request) or request.url.path.endswith(".json"):
            return JSONResponse(error_object(text), status_code=status, headers=headers)
        if status == 401 and request.method != "POST":
            return RedirectResponse("/sign-in", 303)
        viewer = await frame.find_viewer(request.scope)
        return frame.pages.render("bench/error.html", viewer, "", status, headers, code=status, text=text)

    @app.exception_handler(HTTPException)
    async def on_http_error(request: Request, err: HTTPException) -> Response:
        is_plain = err.status_code == 404 and err.detail == "Not Found"
        text = f"no page {request.url.path[:60]!r}; start at the jobs" if is_plain else str(err.detail)
        return await answer(request, err.status_code, text, err.headers)

    def answers(kind: type[Exception], status: int) -> None:
        @app.exception_handler(kind)
        async def on_error(request: Request, err: Exception) -> Response:
            return await answer(request, status, one_line(err, 400))

    # What people can mend; then what the machine can't do now.
    answers(InputError, 400)
    answers(CardRefused, 400)
    answers(StoreError, 503)
    answers(ConfigError, 503)

    @app.exception_handler(Exception)
    async def on_failure(request: Request, _err: Exception) -> Response:
        # answered here, then raised on to the guard, which logs and counts it
        return await answer(request, 500, FAILED_TEXT)
