"""One trip held against another, chosen on the page and asked of the command."""

from __future__ import annotations

import json
from dataclasses import asdict

import httpx
import pytest

from dutylog.clock import ManualClock
from dutylog.web.app import create_app
from dutylog.web.feed import LiveFeed
from dutylog.web.jobs import JobFailed
from dutylog.web.settings import WebSettings
from review.made_trips import made_review
from web.samples import HOSTILE, fake_ledger

pytestmark = pytest.mark.anyio


class Command:
    """Stands for `dutylog trip compare`; keeps what it was asked."""

    def __init__(self):
        self.asked, self.problem = [], None
        self.rows = json.loads(json.dumps([asdict(one) for one in made_review().differences]))

    async def ask(self, words, names, version):
        self.asked.append((tuple(words), tuple(names), version))
        if self.problem:
            raise JobFailed(self.problem)
        return json.dumps({"schema": 1, "engine": "x", "trips": list(names), "differences": self.rows})

    async def close(self):
        pass


@pytest.fixture
def command():
    return Command()


@pytest.fixture
def get(command):
    app = create_app(LiveFeed(ManualClock()), fake_ledger(), WebSettings(), jobs=command)

    async def ask(path):
        transport = httpx.ASGITransport(app)
        async with httpx.AsyncClient(transport=transport, base_url="http://127.0.0.1:8321") as client:
            return await client.get(path)

    return ask


async def test_the_earlier_trips_are_offered_and_not_the_trip_itself(get, command):
    page = await get("/trips/2/against")
    assert page.status_code == 200
    assert 'href="/trips/2/against?other=1"' in page.text
    assert 'href="/trips/2/against?other=2"' not in page.text
    assert command.asked == []


async def test_the_other_trip_is_first_and_clear_differences_stand_before_the_rest(get, command):
    page = await get("/trips/2/against?other=1")
    assert [(words, names) for words, names, _ in command.asked] == [(("trip", "compare", "--format=json"), ("1", "2"))]
    assert page.text.index("more than its doubt") < page.text.index("Within their doubt: 1")
    assert "1.38 times (1.20 to 1.57 in 95 of 100 cases)" in page.text


async def test_a_trip_nobody_reviewed_is_said_with_the_way_to_it(get, command):
    command.problem = "trip 1 isn't reviewed yet; run `dutylog trip review 1` first"
    page = await get("/trips/2/against?other=1")
    assert page.status_code == 409
    assert "isn&#39;t reviewed yet" in page.text
    assert 'href="/trips/1"' in page.text
    answer = await get("/api/trips/2/against/1")
    assert (answer.status_code, answer.json()["error"]) == (409, command.problem)


async def test_nothing_in_common_is_said(get, command):
    command.rows = []
    assert "too little in common" in (await get("/trips/2/against?other=1")).text


@pytest.mark.parametrize("other", ["9", "0", "-1", "1%00", "../1", HOSTILE])
async def test_what_is_no_trip_never_reaches_the_command(get, command, other):
    page = await get(f"/trips/2/against?other={httpx.QueryParams({'x': other})['x']}")
    assert page.status_code in (404, 400)
    assert "<script>alert" not in page.text
    assert command.asked == []


async def test_its_json(get, command):
    answer = await get("/api/trips/2/against/1")
    assert answer.json()["trips"] == ["1", "2"]
    assert answer.json()["differences"] == command.rows
