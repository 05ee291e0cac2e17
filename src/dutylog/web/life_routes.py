"""Addresses of wear: one damper, the computation of one of its parts, and what is due first of all of them."""

from __future__ import annotations

from fastapi import FastAPI, Request
from fastapi.responses import JSONResponse, Response
from starlette.concurrency import run_in_threadpool
from starlette.exceptions import HTTPException

from dutylog.life.words import say_no_profile
from dutylog.web.answers import envelope
from dutylog.web.jobs import JobFailed, Runs
from dutylog.web.keys import find_damper, quoted
from dutylog.web.life_view import LifeBasis, LifeDamper, make_dampers, read_lives
from dutylog.web.pages import Pages
from dutylog.web.view import DamperSummary, LedgerView

_READ = ["GET", "HEAD"]
_SHOW = ("life", "show", "--format=json")


def add_life(app: FastAPI, view: LedgerView, pages: Pages, jobs: Runs) -> None:
    """Add the pages of wear and their JSON; before those of dampers, whose keys may hold anything."""

    async def basis_of(key: str) -> LifeBasis:
        return await run_in_threadpool(find_damper, key, view.life)

    async def ask(basis: LifeBasis) -> str:
        if basis.parts is None:
            raise JobFailed(say_no_profile(basis.label, basis.profile))
        return await jobs.ask(_SHOW, (basis.label,), basis.version)

    # Answers may be long: reading and rendering them would hold up the live stream.
    @app.api_route("/dampers/{key:path}/life", methods=_READ)
    async def life(request: Request, key: str) -> Response:
        seen, basis = pages.seen_by(request.scope), await basis_of(key)
        try:
            text = await ask(basis)
            return await run_in_threadpool(lambda: seen.life(basis, _only(basis, make_dampers(read_lives(text)))))
        except JobFailed as err:
            return await run_in_threadpool(seen.life, basis, None, str(err))

    @app.api_route("/api/dampers/{key:path}/life", methods=_READ)
    async def api_life(key: str) -> Response:
        basis = await basis_of(key)
        if basis.parts is None:
            raise HTTPException(409, say_no_profile(basis.label, basis.profile))
        text = await ask(basis)
        return await run_in_threadpool(lambda: JSONResponse(envelope(**read_lives(text))))

    @app.api_route("/dampers/{key:path}/life/{part}", methods=_READ)
    async def life_part(request: Request, key: str, part: str) -> Response:
        seen, basis = pages.seen_by(request.scope), await basis_of(key)
        if basis.parts is None:
            return await run_in_threadpool(seen.life_part, basis, None, say_no_profile(basis.label, basis.profile))
        if part not in basis.parts:
            raise HTTPException(404, f"no part {quoted(part)} of this damper; see the page of its wear")
        try:
            text = await jobs.ask(("life", "explain"), (basis.label, part), basis.version)
            return await run_in_threadpool(seen.life_part, basis, text)
        except JobFailed as err:
            return await run_in_threadpool(seen.life_part, basis, None, str(err))

    @app.api_route("/due", methods=_READ)
    async def due(request: Request) -> Response:
        seen = pages.seen_by(request.scope)
        known, version = await run_in_threadpool(lambda: (view.dampers(), view.life_version()))
        try:
            text = await jobs.ask(_SHOW, (), version)
            return await run_in_threadpool(lambda: seen.due(*_by_urgency(known, make_dampers(read_lives(text)))))
        except JobFailed as err:
            return await run_in_threadpool(seen.due, [], [], str(err))


def _only(basis: LifeBasis, found: list[LifeDamper]) -> LifeDamper:
    if [one.unit_id for one in found] != [basis.unit_id]:
        raise JobFailed(f"the answer is not of damper {basis.label}; open the page again")
    return found[0]


def _by_urgency(
    known: list[DamperSummary], found: list[LifeDamper]
) -> tuple[list[tuple[str, LifeDamper]], list[DamperSummary]]:
    """Return dampers with their labels, the most urgent first, and those of which nothing can be told."""
    labels = {row.unit_id: row.label for row in known}
    told = [(labels.get(one.unit_id, one.unit_id), one) for one in found if one.parts]
    there = {one.unit_id for _, one in told}
    return sorted(told, key=lambda each: each[1].order), [row for row in known if row.unit_id not in there]
