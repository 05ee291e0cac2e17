"""The page of a damper's duty card: what it holds, the newest one's QR code, and a button that issues the next."""

from __future__ import annotations

from pathlib import Path
from urllib.parse import quote

from fastapi import FastAPI, Request
from fastapi.responses import Response
from starlette.concurrency import run_in_threadpool
from starlette.exceptions import HTTPException

from dutylog.bench.kept_card import read_kept
from dutylog.bench.qr import draw_path
from dutylog.errors import DutylogError, one_line
from dutylog.life.words import say_no_profile
from dutylog.web.access import Access, viewer_in
from dutylog.web.card_view import CardPage
from dutylog.web.jobs import JobFailed, Runs
from dutylog.web.keys import find_damper
from dutylog.web.pages import Pages
from dutylog.web.view import LedgerView
from dutylog.web.writes import Done, Write, add_write

_READ = ["GET", "HEAD"]
_FOLDER_TEXT = "these pages have no data folder, so there are no cards here"


def add_card(app: FastAPI, access: Access, pages: Pages, view: LedgerView, jobs: Runs, data_dir: Path | None) -> None:
    """Add the page of a damper's card, its file and its button; before the pages of dampers."""

    def look(key: str) -> CardPage:
        basis = find_damper(key, view.life)
        try:
            kept = None if data_dir is None else read_kept(data_dir, basis.unit_id)
            return CardPage(basis, kept, None if kept is None else draw_path(kept.summary))
        except DutylogError as err:
            return CardPage(basis, None, None, one_line(err, 300))

    @app.api_route("/dampers/{key:path}/card", methods=_READ)
    def card(request: Request, key: str) -> Response:
        return pages.seen_by(request.scope).card(look(key))

    @app.api_route("/dampers/{key:path}/card/file", methods=_READ)
    def card_file(request: Request, key: str) -> Response:
        if viewer_in(request.scope).session is None:
            raise HTTPException(401, "a card's file is handed out after sign-in; sign in, then open its page again")
        found = look(key)
        if found.kept is None:
            raise HTTPException(404, found.problem or "no card of this damper yet; issue one on its page")
        # The name holds letters, digits, - and _ alone.
        headers = {"Content-Disposition": f'attachment; filename="{found.kept.file_name}"'}
        return Response(found.kept.data, media_type="application/json", headers=headers)

    async def issue(write: Write) -> Done:
        key = write.params["key"]
        if data_dir is None:
            raise HTTPException(503, _FOLDER_TEXT)
        basis = await run_in_threadpool(find_damper, key, view.life)
        if basis.parts is None:
            raise HTTPException(409, say_no_profile(basis.label, basis.profile))
        words = ("card", "export", "--kept", f"--by={write.session.name}")
        try:
            said = await jobs.ask(words, (basis.unit_id,), basis.version)
        except JobFailed as err:
            raise HTTPException(503, one_line(err, 300)) from err
        return Done(one_line(said.splitlines()[0], 300), f"/dampers/{quote(basis.unit_id, safe='')}/card/file")

    add_write(app, access, "/dampers/{key}/card", issue)
