"""The application: its routes and how errors are answered (table of routes in shared/SNAPSHOT.md)."""

from __future__ import annotations

import asyncio
import contextlib
import time
from collections.abc import AsyncIterator, Mapping

from fastapi import Depends, FastAPI, Request
from fastapi.responses import JSONResponse, PlainTextResponse, Response
from starlette.exceptions import HTTPException

from dutylog.errors import LedgerError
from dutylog.publish.core_link import SocketReader
from dutylog.web.access import Access
from dutylog.web.against_routes import add_against
from dutylog.web.answers import envelope, error_object, live_object
from dutylog.web.card_routes import add_card
from dutylog.web.events import ClientLimit, LiveResponse, LiveText
from dutylog.web.feed import LiveFeed
from dutylog.web.follow import BrokerReader
from dutylog.web.guard import FAILED_TEXT, Guard, GuardCounters
from dutylog.web.health import HealthParts, health_lines, health_object
from dutylog.web.jobs import Jobs, Runs
from dutylog.web.keys import find_damper, quoted
from dutylog.web.life_routes import add_life
from dutylog.web.line import line_answer
from dutylog.web.own_files import add_files
from dutylog.web.pages import Pages
from dutylog.web.publish_watch import PublishWatch
from dutylog.web.record_routes import add_record
from dutylog.web.review_desk import ReviewDesk
from dutylog.web.review_routes import add_review
from dutylog.web.review_view import KEY
from dutylog.web.settings import WebSettings
from dutylog.web.view import MAX_TRIPS, DamperDetail, LedgerView, TripDetail, TripSummary
from dutylog.web.writes import add_writes, wants_json

_READ = ["GET", "HEAD"]


def create_app(
    feed: LiveFeed,
    view: LedgerView | None,
    settings: WebSettings,
    reader: SocketReader | BrokerReader | None = None,
    watch: PublishWatch | None = None,
    access: Access | None = None,
    jobs: Runs | None = None,
    desk: ReviewDesk | None = None,
) -> FastAPI:
    """Return the application.

    Args:
        feed: newest snapshot; shared with `reader`.
        view: read-only questions to the ledger; None: none is here and nothing can be written (`dutylog follow`).
        settings: where we listen and how many phones may watch.
        reader: fills `feed` from core's socket or a broker while the application runs; None in tests.
        watch: asks how publishing is doing; None in tests.
        access: who may do what; None: no code is set, so only this machine sees the pages and nobody writes.
        jobs: runs the commands that take long; None: those of `settings.data_dir`.
        desk: has reviews of trips made; None: of `settings.data_dir`.
    """

    @contextlib.asynccontextmanager
    async def lifespan(_app: FastAPI) -> AsyncIterator[None]:
        tasks = [asyncio.create_task(part.run()) for part in (reader, watch) if part]
        yield
        feed.close()
        for task in tasks:
            task.cancel()
            with contextlib.suppress(asyncio.CancelledError):
                await task
        await runs.close()
        await reviews.close()

    runs, reviews = jobs or Jobs(settings.data_dir), desk or ReviewDesk(settings.data_dir)
    guard, doors = GuardCounters(), access or Access()
    clients = ClientLimit(settings.max_clients)
    app = FastAPI(lifespan=lifespan, docs_url=None, redoc_url=None, openapi_url=None, redirect_slashes=False)
    pages = Pages(feed.allowance_s, follows=view is None)
    _add_live(app, feed, pages, clients, settings)
    if view is None:
        _add_elsewhere(app)
    else:
        _add_trips(app, view, pages)
        add_against(app, view, lambda key: _find_trip(view, key), pages, runs)
        add_review(app, view, lambda key: _find_trip(view, key), pages, reviews, settings.data_dir)
        _add_trip_json(app, view)
        add_life(app, view, pages, runs)
        add_card(app, doors, pages, view, runs, settings.data_dir)
        add_record(app, doors, pages, view, runs)
        _add_dampers(app, view, pages)
        add_writes(app, doors, pages, view, settings.data_dir)
    _add_health(app, HealthParts(feed, view, clients, guard, time.monotonic(), settings.data_dir, doors))
    add_files(app)
    _add_errors(app, pages)
    _wrap(app, settings, guard, doors)
    return app


def _wrap(app: FastAPI, settings: WebSettings, counters: GuardCounters, access: Access) -> None:
    """Put the guard outside of everything, so that answers to failures carry the headers too."""
    build = app.build_middleware_stack
    app.build_middleware_stack = lambda: Guard(build(), settings, counters, access)  # type: ignore[method-assign]


def _add_live(app: FastAPI, feed: LiveFeed, pages: Pages, clients: ClientLimit, settings: WebSettings) -> None:
    text = LiveText(feed)

    @app.api_route("/", methods=_READ)
    async def live(request: Request) -> Response:
        return pages.seen_by(request.scope).live()

    @app.api_route("/events", methods=_READ)
    async def events() -> Response:
        return LiveResponse(text, clients, settings)

    @app.api_route("/line", methods=_READ, dependencies=[Depends(feed.look)])
    async def line(request: Request) -> Response:
        return PlainTextResponse(line_answer(feed, request.query_params) + "\n")

    @app.api_route("/api/live", methods=_READ, dependencies=[Depends(feed.look)])
    async def api_live() -> Response:
        return JSONResponse(live_object(feed))


def _add_elsewhere(app: FastAPI) -> None:
    """Answer for the pages that only the vehicle's own machine has."""

    async def elsewhere() -> Response:
        raise HTTPException(404, "trips and dampers are on the page of the vehicle's own machine; this one follows it")

    for start in ("/trips", "/dampers", "/due", "/api/trips", "/api/dampers"):
        app.add_api_route(f"{start}{{rest:path}}", elsewhere, methods=_READ)


def _add_trips(app: FastAPI, view: LedgerView, pages: Pages) -> None:
    def page_of_trips(request: Request) -> tuple[list[TripSummary], int | str | None]:
        text = request.query_params.get("before")
        found = view.trips(MAX_TRIPS + 1, None if text is None else _parse_before(text))
        shown = found[:MAX_TRIPS]
        return shown, _number_or_key(shown[-1]) if len(found) > MAX_TRIPS else None

    @app.api_route("/trips", methods=_READ)
    def trips(request: Request) -> Response:
        return pages.seen_by(request.scope).trips(*page_of_trips(request))

    @app.api_route("/api/trips", methods=_READ)
    def api_trips(request: Request) -> Response:
        shown, older_before = page_of_trips(request)
        return JSONResponse(envelope(trips=shown, older_before=older_before))


def _add_trip_json(app: FastAPI, view: LedgerView) -> None:
    @app.api_route("/api/trips/{number:path}", methods=_READ)
    def api_trip(number: str) -> Response:
        detail = _find_trip(view, number)
        return JSONResponse(envelope(trip=detail.trip, dampers=detail.dampers, alerts=detail.alerts))


def _number_or_key(trip: TripSummary) -> int | str:
    """Return a trip's number, or the key of a part of one."""
    return trip.key if "." in trip.key else trip.number


def _find_trip(view: LedgerView, number: str) -> TripDetail:
    detail = view.trip(number) if KEY.fullmatch(number) else None
    if detail is None:
        raise HTTPException(404, f"no trip {quoted(number)}; see the list of trips")
    return detail


def _add_dampers(app: FastAPI, view: LedgerView, pages: Pages) -> None:
    def one(key: str) -> DamperDetail:
        return find_damper(key, view.damper)

    @app.api_route("/dampers", methods=_READ)
    def dampers(request: Request) -> Response:
        return pages.seen_by(request.scope).dampers(view.dampers())

    @app.api_route("/api/dampers", methods=_READ)
    def api_dampers() -> Response:
        return JSONResponse(envelope(dampers=view.dampers()))

    @app.api_route("/dampers/{key:path}/gas", methods=_READ)
    def gas(request: Request, key: str) -> Response:
        return pages.seen_by(request.scope).gas(find_damper(key, view.gas))

    @app.api_route("/dampers/{key:path}", methods=_READ)
    def damper(request: Request, key: str) -> Response:
        return pages.seen_by(request.scope).damper(one(key))

    @app.api_route("/api/dampers/{key:path}", methods=_READ)
    def api_damper(key: str) -> Response:
        return JSONResponse(envelope(damper=one(key)))


def _add_health(app: FastAPI, parts: HealthParts) -> None:
    @app.api_route("/health", methods=_READ, dependencies=[Depends(parts.feed.look)])
    def health() -> Response:
        return PlainTextResponse(health_lines(health_object(parts)))

    @app.api_route("/health.json", methods=_READ, dependencies=[Depends(parts.feed.look)])
    def health_json() -> Response:
        return JSONResponse(health_object(parts))


def _add_errors(app: FastAPI, pages: Pages) -> None:
    def answer(request: Request, status: int, text: str, headers: Mapping[str, str] | None = None) -> Response:
        path = request.url.path
        if path.startswith("/api/") or path.endswith(".json") or (request.method == "POST" and wants_json(request)):
            return JSONResponse(error_object(text), status_code=status, headers=headers)
        return pages.seen_by(request.scope).error(status, text, headers)

    @app.exception_handler(HTTPException)
    async def on_http_error(request: Request, err: HTTPException) -> Response:
        plain_404 = err.status_code == 404 and err.detail == "Not Found"
        text = f"no page {quoted(request.url.path)}; start at the live page" if plain_404 else str(err.detail)
        return answer(request, err.status_code, text, err.headers)

    @app.exception_handler(Exception)
    async def on_failure(request: Request, _err: Exception) -> Response:
        # answered here, then raised on to the guard, which logs and counts it
        return answer(request, 500, FAILED_TEXT)

    @app.exception_handler(LedgerError)
    async def on_ledger_error(request: Request, err: LedgerError) -> Response:
        return answer(request, 503, " ".join(str(err).split()))


def _parse_before(text: str) -> str:
    if not KEY.fullmatch(text):
        raise HTTPException(400, f"before={quoted(text)} is no trip number; give a whole number from 1")
    return text
