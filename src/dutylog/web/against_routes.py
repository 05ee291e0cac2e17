"""The page that holds one trip against another."""

from __future__ import annotations

import json
from typing import Any

from fastapi import FastAPI, Request
from fastapi.responses import JSONResponse, Response
from starlette.concurrency import run_in_threadpool
from starlette.exceptions import HTTPException

from dutylog.web.answers import envelope
from dutylog.web.jobs import JobFailed, Runs
from dutylog.web.pages import Pages
from dutylog.web.review_routes import FindTrip
from dutylog.web.view import LedgerView

_READ = ["GET", "HEAD"]
_COMPARE = ("trip", "compare", "--format=json")
_MOST_TRIPS = 50


def add_against(app: FastAPI, view: LedgerView, find: FindTrip, pages: Pages, jobs: Runs) -> None:
    """Add the page and its JSON; before those of trips, whose keys may hold anything."""

    async def ask(key: str, other: str) -> dict[str, Any]:
        version = await run_in_threadpool(view.life_version)
        # The earlier of the two comes first, whoever was asked for: what is said reads as what became of it.
        told: dict[str, Any] = json.loads(await jobs.ask(_COMPARE, (other, key), version))
        return {"trips": told["trips"], "differences": told["differences"]}

    @app.api_route("/trips/{key}/against", methods=_READ)
    async def against(request: Request, key: str, other: str | None = None) -> Response:
        seen = pages.seen_by(request.scope)
        detail = await run_in_threadpool(find, key)
        if other is None:
            trips = await run_in_threadpool(view.trips, _MOST_TRIPS + 1, None)
            choice = [one for one in trips if one != detail.trip and not one.parts][:_MOST_TRIPS]
            return await run_in_threadpool(lambda: seen.against(detail, choice=choice))
        second = await run_in_threadpool(find, other)
        try:
            told = await ask(key, other)
            return await run_in_threadpool(lambda: seen.against(detail, second, told["differences"]))
        except JobFailed as err:
            problem = str(err)
            return await run_in_threadpool(lambda: seen.against(detail, second, problem=problem))

    @app.api_route("/api/trips/{key}/against/{other}", methods=_READ)
    async def api_against(key: str, other: str) -> Response:
        for one in (key, other):
            await run_in_threadpool(find, one)
        try:
            return JSONResponse(envelope(**await ask(key, other)))
        except JobFailed as err:
            raise HTTPException(409, str(err)) from None
