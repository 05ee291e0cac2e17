"""The page of a duty card: who sees it, who has one issued, and what is handed out."""

from __future__ import annotations

import asyncio
import json
import re
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from pathlib import Path

import httpx
import pytest

from bench.card_made import Yard
from dutylog.bench.card_read import read_card
from dutylog.bench.card_verify import Seen, verify
from dutylog.bench.kept_card import kept_card_path
from dutylog.bench.keys import key_words
from dutylog.clock import ManualClock
from dutylog.ledger.ledger import LEDGER_NAME, Ledger
from dutylog.web.access import Access
from dutylog.web.access_code import write_code
from dutylog.web.app import create_app
from dutylog.web.feed import LiveFeed
from dutylog.web.jobs import Jobs
from dutylog.web.ledger_view import SqliteLedgerView
from dutylog.web.settings import WebSettings
from web.access_parts import BASE, CODE, csrf_in, quick_code
from web.samples import HOSTILE

pytestmark = pytest.mark.anyio
PATH = "/dampers/SN-1/card"


class Pages:
    """The real application over a real ledger, with the real command beside it."""

    def __init__(self, folder: Path) -> None:
        self.folder, self.clock = folder, ManualClock(mono_ns=10**12)
        write_code(folder, quick_code())
        self.jobs = Jobs(folder)
        self.app = create_app(
            LiveFeed(self.clock),
            SqliteLedgerView(folder),
            WebSettings(data_dir=folder),
            access=Access(folder, self.clock, lambda _line: None),
            jobs=self.jobs,
        )

    def client(self) -> httpx.AsyncClient:
        return httpx.AsyncClient(transport=httpx.ASGITransport(self.app), base_url=BASE)

    @asynccontextmanager
    async def signed_in(self, name: str = "Ana") -> AsyncIterator[tuple[httpx.AsyncClient, str]]:
        async with self.client() as client:
            assert (await client.post("/sign-in", data={"name": name, "code": CODE})).status_code == 303
            yield client, csrf_in((await client.get(PATH)).text)


@pytest.fixture
def yard(tmp_path: Path) -> Yard:
    return Yard(tmp_path)


@pytest.fixture
def pages(yard: Yard) -> Pages:
    return Pages(yard.folder)


def issued(folder: Path) -> int:
    with Ledger.open(folder / LEDGER_NAME, read_only=True) as ledger:
        return len(ledger.entries_of("card_issued"))


async def test_the_button_issues_a_card_and_hands_out_its_file(pages: Pages) -> None:
    """Form, command, ledger, file: no script needed; the file holds what a bench accepts, under the session's name."""
    async with pages.signed_in("--Zoë") as (client, csrf):
        page = await client.get(PATH)
        assert "Issue a duty card" in page.text
        assert "No card of this damper was issued yet" in page.text
        answer = await client.post(PATH, data={"csrf": csrf})
        assert answer.status_code == 303, answer.text
        file = await client.get(answer.headers["location"])
        assert (file.status_code, file.headers["content-type"]) == (200, "application/json")
        assert file.headers["content-disposition"] == 'attachment; filename="SN-1-card-1.card.json"'
        card = read_card(file.content)
        assert verify(card, Seen()).is_accepted
        assert (card.sequence, card.body["issued"]["by"]) == (1, "--Zoë")
        again = await client.get(PATH)
    assert "Card 1, the newest" in again.text
    assert key_words(card.key_id) in again.text
    assert issued(pages.folder) == 1


async def test_the_page_has_the_code_and_the_same_figures_in_words(pages: Pages, yard: Yard) -> None:
    """Who can't see the code reads the table."""
    card = yard.issue()
    async with pages.client() as client:
        page = (await client.get(PATH)).text
    assert re.search(r'<svg viewBox="0 0 \d+ \d+" role="img" aria-label="QR code', page)
    plain = " ".join(re.sub(r"<[^>]+>", " ", page).replace("&nbsp;", " ").replace("\u00a0", " ").split())
    assert "Vehicle truck Card 1 of 2026-11-02" in plain
    assert "Measured 100 %" in plain
    for one in card["parts"]:
        if one["doses"]:
            assert f"{one['name']} {round(100 * one['used_ratio'])} % used" in plain
    assert "It holds no place on earth, no track and no name of a trip." in plain


async def test_only_who_is_signed_in_issues_and_gets_files(pages: Pages, yard: Yard) -> None:
    """To look is open, as ever; without session or token nothing is made."""
    yard.issue()
    async with pages.client() as client:
        page = await client.get(PATH)
        assert page.status_code == 200
        assert "Issue a duty card" not in page.text
        assert "/card/file" not in page.text
        refused = await client.get(PATH + "/file")
        assert (refused.status_code, "sign-in" in refused.text) == (401, True)
        assert (await client.post(PATH, data={})).status_code == 401
    async with pages.signed_in() as (client, csrf):
        assert (await client.post(PATH, data={"csrf": "0" * len(csrf)})).status_code == 403
        other = await client.post(PATH, data={"csrf": csrf}, headers={"Origin": "https://elsewhere.example"})
        assert other.status_code == 403
        assert (await client.put(PATH)).status_code == 405
    assert issued(pages.folder) == 1


async def test_a_double_click_is_one_card(pages: Pages) -> None:
    """Gloves: two requests at once, one job, one number; a click later is the next."""
    async with pages.signed_in() as (client, csrf):
        both = await asyncio.gather(*(client.post(PATH, headers={"X-CSRF": csrf}) for _ in range(2)))
        assert [one.json()["text"] for one in both] == ["card 1 of damper SN-1, issued by Ana"] * 2
        assert issued(pages.folder) == 1
        later = await client.post(PATH, headers={"X-CSRF": csrf})
    assert later.json()["text"] == "card 2 of damper SN-1, issued by Ana"


async def test_what_goes_wrong_is_one_line(pages: Pages) -> None:
    """A lost damper, a key that others can read, a kept card that is torn."""
    async with pages.signed_in() as (client, csrf):
        assert (await client.post("/dampers/SN-9/card", data={"csrf": csrf})).status_code == 404
        assert (await client.get("/dampers/SN-9/card")).status_code == 404
        assert (await client.get(PATH + "/file")).status_code == 404
        key = pages.folder / "card_key.pem"
        key.write_text("no key")
        key.chmod(0o644)
        answer = await client.post(PATH, headers={"X-CSRF": csrf})
        assert answer.status_code == 503
        assert "others can get at it" in answer.json()["error"]
        assert issued(pages.folder) == 0
        key.unlink()
        assert (await client.post(PATH, data={"csrf": csrf})).status_code == 303
        with Ledger.open(pages.folder / LEDGER_NAME, read_only=True) as ledger:
            unit_id = ledger.find_unit("SN-1").unit_id
        kept_card_path(pages.folder, unit_id).write_bytes(b"{")
        page = await client.get(PATH)
        assert page.status_code == 200
        assert "can&#39;t be read" in page.text
        assert (await client.get(PATH + "/file")).status_code == 404


async def test_hostile_names_are_text(pages: Pages) -> None:
    """A serial and a name as somebody would like them to be."""
    with Ledger.open(pages.folder / LEDGER_NAME) as ledger:
        unit = ledger.add_unit(HOSTILE[:64].strip(), "desert")
    path = f"/dampers/{unit.unit_id}/card"
    async with pages.signed_in("<b>Bo</b>") as (client, csrf):
        answer = await client.post(path, headers={"X-CSRF": csrf})
        assert answer.status_code == 200, answer.text
        page = (await client.get(path)).text
        file = await client.get(path + "/file")
    assert "<script>alert" not in page
    assert "<b>Bo" not in page
    assert re.fullmatch(r'attachment; filename="[\w-]+\.card\.json"', file.headers["content-disposition"])
    assert json.loads(file.content)["damper"]["serial"] == unit.serial


async def test_the_damper_page_leads_here(pages: Pages) -> None:
    async with pages.client() as client:
        assert re.search(r'href="/dampers/[0-9a-f-]{36}/card"', (await client.get("/dampers/SN-1")).text)
