"""Addresses of a trip's page, its review, the files of its plots and the script that draws them."""

from __future__ import annotations

from collections.abc import Callable, Hashable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from fastapi import FastAPI, Request
from fastapi.responses import JSONResponse, RedirectResponse, Response
from starlette.concurrency import run_in_threadpool
from starlette.exceptions import HTTPException

from dutylog.web.answers import envelope
from dutylog.web.keys import quoted
from dutylog.web.pages import Pages
from dutylog.web.review_desk import DeskState, ReviewDesk
from dutylog.web.review_view import KEY, ReviewView, read_made, read_packed, read_review, trip_key, unpack
from dutylog.web.vendored import STORED_FOR_EVER, Vendored
from dutylog.web.view import LedgerView, TripDetail
from dutylog.web.writes import wants_json

_READ = ["GET", "HEAD"]
_MOST_PARTS = 1000
FindTrip = Callable[[str], TripDetail]


@dataclass(frozen=True, slots=True)
class Shown:
    """A trip with its review as far as there is one. state: how a new one is coming along, None where none
    can be made here. made: of what lies there, also where that is damaged; '' where nothing does.
    """

    detail: TripDetail
    review: ReviewView | None
    state: DeskState | None
    made: str = ""


class _Reviews:
    """Brings together ledger, files and desk."""

    def __init__(self, view: LedgerView, find: FindTrip, desk: ReviewDesk, data_dir: Path | None) -> None:
        self._view = view
        self._find = find
        self._desk = desk
        self._data_dir = data_dir

    async def show(self, key: str, may_start: bool) -> Shown:
        """Return a trip's page; have it reviewed where something is new since the last time."""
        detail, version, review = await run_in_threadpool(self._look, key)
        if self._data_dir is None:
            return Shown(detail, None, None)
        state = self._desk.state(key)
        # One under way would be reviewed anew at each look: there a button does it.
        if may_start and not (detail.trip.is_open and review and review.is_current):
            state = self._desk.want(key, version)
        made = review.made if review else await run_in_threadpool(read_made, self._data_dir, key)
        return Shown(detail, review, state, made)

    async def again(self, key: str) -> DeskState:
        """Have a trip reviewed anew."""
        detail, version, _ = await run_in_threadpool(self._look, key)
        # What was found in an ended trip stays true; who asks again doubts it, or its files are damaged.
        return self._desk.want(key, version, again=True, whole=not detail.trip.is_open)

    async def state(self, key: str) -> dict[str, Any]:
        """Return how the review of a trip is coming along, for the page's script."""
        if not KEY.fullmatch(key):
            raise HTTPException(404, f"no trip {quoted(key)}; see the list of trips")
        made = "" if self._data_dir is None else await run_in_threadpool(read_made, self._data_dir, key)
        now = self._desk.state(key)
        return envelope(state=now.state, ratio=now.ratio, text=now.text, made=made)

    async def content(self, key: str) -> dict[str, Any]:
        """Return a trip's review as it lies on disk."""
        review = (await run_in_threadpool(self._look, key))[2]
        if review is None:
            raise HTTPException(404, f"trip {key} isn't reviewed yet; its page /trips/{key} does that")
        return dict(review.content)

    def key_now(self, key: str) -> str:
        """Return the key under which a trip is looked at."""
        return trip_key(self._find(key))

    def file(self, request: Request, key: str, name: str) -> Response:
        """Return a file of plots as it lies on disk."""
        found = None
        if self._data_dir is not None and KEY.fullmatch(key):
            found = read_packed(self._data_dir, key, name)
        if found is None:
            raise HTTPException(404, f"none are kept of trip {quoted(key)}; the button on its page makes them")
        raw, tag = found
        headers = {"ETag": tag, "Cache-Control": "no-cache", "Vary": "Accept-Encoding"}
        if request.headers.get("if-none-match") == tag:
            return Response(status_code=304, headers=headers)
        return _packed(request, raw, "application/json", headers)

    def _look(self, key: str) -> tuple[TripDetail, Hashable, ReviewView | None]:
        detail = self._find(key)
        trip = detail.trip
        # One that goes on is always another; it counts as the same until somebody asks again.
        version = None if trip.is_open else (self._view.life_version(), trip.duration_s)
        review = None if self._data_dir is None else read_review(self._data_dir, key)
        return detail, version, review


def add_review(
    app: FastAPI, view: LedgerView, find: FindTrip, pages: Pages, desk: ReviewDesk, data_dir: Path | None
) -> None:
    """Add a trip's page and its files; before those whose keys may hold anything.

    Args:
        find: gives the trip of a key, HTTPException 404 where there is none.
        data_dir: where the folder `reviews` is; None: trips are shown without a review.
    """
    reviews = _Reviews(view, find, desk, data_dir)

    @app.api_route("/trips/{key}/plots.json", methods=_READ)
    def plots(request: Request, key: str) -> Response:
        return reviews.file(request, key, "plots")

    @app.api_route("/trips/{key}/detail/{part}", methods=_READ)
    def detail(request: Request, key: str, part: str) -> Response:
        if not (part.isascii() and part.isdigit() and len(part) <= 3):
            raise HTTPException(404, f"{quoted(part)} is no half-hour of a trip")
        return reviews.file(request, key, f"detail-{int(part):02d}")

    @app.api_route("/api/trips/{key}/review/state", methods=_READ)
    async def state(key: str) -> Response:
        return JSONResponse(await reviews.state(key))

    @app.api_route("/api/trips/{key}/review", methods=_READ)
    async def review(key: str) -> Response:
        return JSONResponse(await reviews.content(key))

    # Changes nothing but files that can be made again, so who may look may do it; the guard asks for our own origin.
    @app.post("/trips/{key}/again")
    async def again(request: Request, key: str) -> Response:
        state = await reviews.again(key)
        if wants_json(request):
            return JSONResponse(envelope(ok=True, state=state.state, text=state.text))
        return RedirectResponse(f"/trips/{key}", status_code=303)

    @app.api_route("/trips/{key}", methods=_READ)
    async def trip(request: Request, key: str) -> Response:
        # A trip that was merged into another is looked at there.
        if (now := await run_in_threadpool(reviews.key_now, key)) != key:
            return RedirectResponse(f"/trips/{now}", status_code=303)
        shown = await reviews.show(key, may_start=_may_start(request))
        seen = pages.seen_by(request.scope)
        return await run_in_threadpool(seen.trip, shown.detail, shown.review, shown.state, shown.made)

    _add_script(app, Vendored())


def _add_script(app: FastAPI, vendored: Vendored) -> None:
    def script_or_404() -> Any:
        script = vendored.script()
        if script is None:
            raise HTTPException(404, "plots need the package plotly; install dutylog again with all it needs")
        return script

    @app.api_route("/static-vendored/plots.json", methods=_READ)
    def about() -> Response:
        script = script_or_404()
        about = envelope(script=f"/static-vendored/{script.name}", style_ids=list(script.style_ids))
        return JSONResponse(about, headers={"Cache-Control": "no-cache"})

    @app.api_route("/static-vendored/{name}", methods=_READ)
    def vendored_script(request: Request, name: str) -> Response:
        script = script_or_404()
        if name != script.name:
            raise HTTPException(404, f"no file {quoted(name)} here; open the page again")
        headers = {"Cache-Control": STORED_FOR_EVER, "Vary": "Accept-Encoding"}
        return _packed(request, script.packed, "text/javascript; charset=utf-8", headers)


def _packed(request: Request, raw: bytes, kind: str, headers: dict[str, str]) -> Response:
    """Return compressed bytes, unpacked for a client that takes no gzip."""
    if "gzip" in request.headers.get("accept-encoding", ""):
        return Response(raw, media_type=kind, headers={**headers, "Content-Encoding": "gzip"})
    plain = unpack(raw)
    if plain is None:
        raise HTTPException(404, "this file is damaged; the button 'again' on the trip's page makes it anew")
    return Response(plain, media_type=kind, headers=headers)


def _may_start(request: Request) -> bool:
    """Return whether a look at a page may start work: somebody looks, and no other site made the browser ask."""
    site = request.headers.get("sec-fetch-site", "none")
    ahead = "prefetch" in request.headers.get("sec-purpose", request.headers.get("purpose", ""))
    return request.method == "GET" and site in ("none", "same-origin") and not ahead
