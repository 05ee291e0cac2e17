"""What people tell of a trip on its page goes to core, from who is signed in alone."""

from __future__ import annotations

import asyncio
import re
import sys
from pathlib import Path

import httpx
import pytest

from dutylog.clock import ManualClock
from dutylog.web.app import create_app
from dutylog.web.feed import LiveFeed
from dutylog.web.review_desk import ReviewDesk
from dutylog.web.settings import WebSettings
from web.access_parts import AccessPages, AnsweringCore, core, pages, signed_in
from web.review_samples import write_review
from web.samples import fake_ledger
from web.test_review_routes import BASE

__all__ = ["core", "pages"]

FORMS = {
    "/trips/1/care": (
        {"item": "cool", "note": "in the shade"},
        {"command": "care", "trip": "1", "item": "cool", "note": "in the shade", "by": "A. Miller"},
    ),
    "/trips/7.2/load": (
        {"text": "full tank"},
        {"command": "load_note", "trip": "7.2", "text": "full tank", "by": "A. Miller"},
    ),
    "/trips/1/road": (
        {"from": "0:12:30", "to": "20:00", "kind": "graded"},
        {"command": "road_said", "trip": "1", "from_s": 750.0, "to_s": 1200.0, "kind": "graded", "by": "A. Miller"},
    ),
}


@pytest.mark.anyio
async def test_forms_tell_core_what_people_said(pages: AccessPages, core: AnsweringCore) -> None:
    """Under the name of who is signed in; then the trip's page again."""
    client, csrf = await signed_in(pages)
    for action, (fields, command) in FORMS.items():
        answer = await client.post(action, data={**fields, "csrf": csrf})
        assert (answer.status_code, answer.headers["location"]) == (303, action.rsplit("/", 1)[0])
        assert core.asked[-1] == {"schema": 1, **command}


@pytest.mark.anyio
async def test_forms_need_a_session_and_its_token(pages: AccessPages, core: AnsweringCore) -> None:
    """Whoever looks only can tell nothing."""
    mine, _ = await signed_in(pages)
    _, theirs = await signed_in(pages)
    for action, (fields, _) in FORMS.items():
        assert (await pages.client().post(action, data=fields)).status_code == 401
        assert (await mine.post(action, data={**fields, "csrf": theirs})).status_code == 403
    assert core.asked == []


@pytest.mark.anyio
@pytest.mark.parametrize(
    ("path", "changes", "text"),
    [
        ("/trips/1/road", {"from": "noon"}, "from 'noon' is no time of a trip; write it as 0:12:30"),
        ("/trips/1/road", {"to": "0:99:00"}, "is no time of a trip"),
        ("/trips/1/road", {"to": "1:2"}, "is no time of a trip"),
        ("/trips/1/road", {"to": ""}, "is no time of a trip"),
        ("/trips/1/road", {"kind": "moon"}, "moon"),
        ("/trips/1/road", {"kind": ""}, "kind"),
        ("/trips/1/care", {"item": "polish"}, "polish"),
        ("/trips/1/care", {"note": "a\x00b"}, "note"),
        ("/trips/1/care", {"note": "x" * 501}, "500"),
        ("/trips/7.2/load", {"text": " "}, "text"),
    ],
)
async def test_what_makes_no_sense_is_refused(
    pages: AccessPages, core: AnsweringCore, path: str, changes: dict[str, str], text: str
) -> None:
    """In one line, before core is asked."""
    client, csrf = await signed_in(pages)
    fields = {**FORMS[path][0], **changes}
    answer = await client.post(path, data=fields, headers={"X-CSRF": csrf, "Accept": "application/json"})
    assert answer.status_code == 400, answer.text
    assert text in answer.json()["error"]
    assert core.asked == []


@pytest.mark.anyio
async def test_only_who_is_signed_in_sees_the_forms(pages: AccessPages, tmp_path: Path) -> None:
    """And finds what is left to do as buttons."""
    write_review(tmp_path, "1")
    assert re.findall(r'action="([^"]*)"', (await pages.client().get("/trips/1")).text) == ["/trips/1/again"]
    client, _ = await signed_in(pages)
    found = re.findall(r'action="/trips/1/(\w+)"', (await client.get("/trips/1")).text)
    assert {"again", "care", "load", "road", "name", "dirt"} <= set(found)
    assert found.count("care") == 1


@pytest.mark.anyio
async def test_the_desk_stops_with_the_pages(tmp_path: Path) -> None:
    """A review under way must not outlive them."""
    desk = ReviewDesk(tmp_path, program=(sys.executable, "-c", "import time; time.sleep(60)"))
    app = create_app(LiveFeed(ManualClock(mono_ns=10**12)), fake_ledger(), WebSettings(data_dir=tmp_path), desk=desk)
    async with app.router.lifespan_context(app):
        async with httpx.AsyncClient(transport=httpx.ASGITransport(app), base_url=BASE) as client:
            await client.get("/trips/1")
        async with asyncio.timeout(20):
            while desk.running_pid is None:
                await asyncio.sleep(0.01)
    assert desk.running_pid is None
