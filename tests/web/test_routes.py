"""Every address of the pages, called in-process: what it answers, and what hostile input does to it."""

from __future__ import annotations

import asyncio
import re
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any
from urllib.parse import quote

import httpx
import pytest
from starlette.routing import Mount, Route

from dutylog import ENGINE
from dutylog.clock import ManualClock
from dutylog.publish.snapshot import VehicleName, encode_snapshot
from dutylog.sockets import RESTING, WATCHED
from dutylog.web.app import create_app
from dutylog.web.feed import LINGER_S, LiveFeed
from dutylog.web.guard import SECURITY_HEADERS
from dutylog.web.settings import WebSettings
from dutylog.web.view import MAX_TRIPS, TripDetail
from web.life_samples import fake_jobs
from web.samples import HOSTILE, FakeLedgerView, damper_now, damper_summary, fake_ledger, snapshot, trip_damper

pytestmark = pytest.mark.anyio
DOCUMENT = (Path(__file__).parents[2] / "shared" / "SNAPSHOT.md").read_text(encoding="utf-8")
HTML = ["/", "/trips", "/trips/3", "/dampers", "/dampers/SN-rear_left", "/dampers/SN-rear_left/gas"]
HTML += ["/dampers/SN-rear_left/life", "/dampers/SN-rear_left/life/oil", "/due"]
JSON = ["/api/live", "/api/trips", "/api/trips/3", "/api/dampers", "/api/dampers/SN-rear_left", "/health.json"]
JSON += ["/api/dampers/SN-rear_left/life"]
FILES = ["/static/page.css", "/static/live.js", "/static/page.js", "/static/favicon.svg", "/favicon.ico"]


class Pages:
    """The application with its stand-ins."""

    def __init__(self, view: FakeLedgerView, settings: WebSettings) -> None:
        self.clock = ManualClock(mono_ns=10**12)
        self.feed = LiveFeed(self.clock)
        self.view = view
        self.jobs = fake_jobs()
        self.app = create_app(self.feed, view, settings, jobs=self.jobs)

    async def get(self, path: str, method: str = "GET", **more: Any) -> httpx.Response:
        transport = httpx.ASGITransport(self.app)
        async with httpx.AsyncClient(transport=transport, base_url="http://127.0.0.1:8321") as client:
            return await client.request(method, path, **more)


@pytest.fixture
def pages() -> Pages:
    return Pages(fake_ledger(), WebSettings())


@pytest.fixture(scope="module")
def resting() -> Pages:
    """Give pages for tests that only ask, many times over: nobody tells them anything."""
    return Pages(fake_ledger(), WebSettings())


@pytest.fixture
def make_pages() -> Callable[..., Pages]:
    return lambda **settings: Pages(fake_ledger(), WebSettings(**settings))


@pytest.mark.parametrize("path", HTML)
async def test_page_is_html_of_our_own_parts_only(resting: Pages, path: str) -> None:
    """Nothing is fetched from outside, and nothing is written where the policy would block it."""
    answer = await resting.get(path)
    assert answer.status_code == 200
    assert answer.headers["content-type"] == "text/html; charset=utf-8"
    body = answer.text
    assert body.lower().startswith("<!doctype html>")
    assert set(re.findall(r'(?:src|href)="([^"#/]+)', body)) == set()
    assert not re.search(r"<script(?![^>]*\bsrc=)|\son\w+=|\sstyle=|<style|javascript:|http:|https:", body)
    assert re.search(r'<nav aria-label="[^"]+">', body)
    assert body.count("<h1") == 1


@pytest.mark.parametrize("path", JSON)
async def test_json_has_schema_and_engine(resting: Pages, path: str) -> None:
    """Contract of every JSON object."""
    answer = await resting.get(path)
    assert answer.status_code == 200
    assert answer.headers["content-type"] == "application/json"
    assert (answer.json()["schema"], answer.json()["engine"]) == (1, ENGINE)


@pytest.mark.parametrize("path", [*HTML, *JSON, *FILES, "/health", "/nothing", "/api/nothing", "/static/nothing"])
async def test_every_answer_carries_the_security_headers(resting: Pages, path: str) -> None:
    """Errors and files too."""
    answer = await resting.get(path)
    for name, value in SECURITY_HEADERS.items():
        assert answer.headers[name] == value
    assert "set-cookie" not in answer.headers
    assert "server" not in answer.headers


@pytest.mark.parametrize("path", [*HTML, *JSON, *FILES, "/health", "/events", "/nothing"])
@pytest.mark.parametrize("method", ["POST", "PUT", "DELETE", "PATCH", "OPTIONS", "TRACE", "CONNECT", "BREW"])
async def test_only_reading_is_allowed(resting: Pages, path: str, method: str) -> None:
    """Nothing on these pages can change anything."""
    resting.view.asked.clear()
    answer = await resting.get(path, method)
    assert answer.status_code == 405
    assert answer.headers["allow"] == "GET, HEAD"
    assert answer.text.count("\n") == 1
    assert resting.view.asked == []


@pytest.mark.parametrize("path", [*HTML, *JSON, *FILES, "/health", "/events"])
async def test_head_answers_like_get(resting: Pages, path: str) -> None:
    """Checks from scripts use HEAD; the stream of events must not start for them."""
    answer = await resting.get(path, "HEAD")
    assert answer.status_code == 200
    assert answer.headers["content-security-policy"]


async def test_live_object_says_waiting_then_live_then_stale(pages: Pages) -> None:
    """The JSON twin of the live page."""
    first = (await pages.get("/api/live")).json()
    assert (first["link"], first["age_s"], first["snapshot"]) == ("waiting", None, None)
    pages.feed.accept_line(encode_snapshot(snapshot(5)))
    pages.clock.advance(1.5)
    live = (await pages.get("/api/live")).json()
    assert (live["link"], live["age_s"], live["snapshot"]["seq"]) == ("live", 1.5, 5)
    assert live["snapshot"]["dampers"][2]["body_c"] == 113.2
    pages.clock.advance(2.0)
    assert (await pages.get("/api/live")).json()["link"] == "stale"


async def test_trip_page_shows_each_figure_of_the_ledger(pages: Pages) -> None:
    """A reader without the picture gets the same from the table."""
    text = (await pages.get("/trips/1")).text
    plain = re.sub(r"<[^>]+>", " ", text)
    for figure in ("1.21 MJ", "484 kJ", "2.02 MJ", "4 127", "1.3 km", "113 °C", "100 %", "82.4 km", "1:23:45"):
        assert figure in re.sub(r"[\u00a0\u202f]", " ", plain), figure
    widths = [float(value) for value in re.findall(r'bar-fill" width="([\d.]+)%"', text)]
    assert widths == [59.9, 58.4, 100.0, 91.1]


async def test_less_than_full_coverage_is_called_a_lower_bound(pages: Pages) -> None:
    """Duty that wasn't measured must not look like duty that wasn't done."""
    assert "lower bound" not in (await pages.get("/trips/1")).text
    partly = (await pages.get("/trips/3")).text
    assert "lower bound" in partly
    assert "94.3\u00a0%" in partly
    assert "lower bound" in (await pages.get("/dampers/SN-rear_left")).text


async def test_unknown_distance_and_unchecked_clock_are_said(pages: Pages) -> None:
    """Unknown is never zero."""
    text = (await pages.get("/trips/2")).text
    assert "unknown" in text
    assert "clock unchecked" in text
    assert "Dry lake" in text


async def test_trip_without_any_energy_divides_by_nothing(pages: Pages) -> None:
    """A trip of a parked vehicle."""
    pages.view.trip_details[1] = replace(
        pages.view.trip_details[1], dampers=(trip_damper("front_left", 0.0), trip_damper("front_right", 0.0))
    )
    assert 'bar-fill" width="0.0%"' in (await pages.get("/trips/1")).text
    pages.view.trip_details[1] = TripDetail(pages.view.trip_details[1].trip, ())
    assert (await pages.get("/trips/1")).status_code == 200


async def test_trips_are_listed_in_pages(pages: Pages) -> None:
    """A year of trips must not become one page."""
    row = pages.view.trip_rows[0]
    pages.view.trip_rows = [replace(row, number=number) for number in range(1, 121)]
    first = (await pages.get("/api/trips")).json()
    assert [t["number"] for t in first["trips"]] == list(range(120, 120 - MAX_TRIPS, -1))
    assert first["older_before"] == 71
    assert 'href="/trips?before=71"' in (await pages.get("/trips")).text
    last = (await pages.get("/api/trips?before=21")).json()
    assert (len(last["trips"]), last["older_before"]) == (20, None)


@pytest.mark.parametrize(
    "before", ["0", "-1", "1.5.2", "1.0", "x", "", "1e3", "9" * 30, "٣", "1;DROP TABLE trip", "%00"]
)
async def test_before_that_is_no_number_is_refused(pages: Pages, before: str) -> None:
    """One line, and the ledger isn't asked."""
    for path in ("/trips", "/api/trips"):
        answer = await pages.get(f"{path}?before={before}")
        assert answer.status_code == 400
    assert answer.json()["error"].count("\n") == 0
    assert pages.view.asked == []


@pytest.mark.parametrize(
    "path",
    [
        "/nothing",
        "/trips/",
        "/trips/0",
        "/trips/-1",
        "/trips/99",
        "/trips/1e1",
        "/trips/" + "9" * 40,
        "/trips/1/2",
        "/trips/..%2f..%2fetc%2fpasswd",
        "/trips/%00",
        "/dampers/",
        "/dampers/none",
        "/dampers/%00",
        "/dampers/%0d%0aX-Bad:%201",
        "/dampers/" + "s" * 300,
        "/dampers/" + quote(HOSTILE, safe=""),
        "/dampers/%ff%fe",
        "/static/../app.py",
        "/static/%2e%2e/app.py",
        "/static/..%2f..%2fapp.py",
        "/static//etc/passwd",
        "/static/",
        "/static",
        "/.git/config",
        "//evil.example/",
        "/health/",
        "/docs",
        "/openapi.json",
    ],
)
async def test_paths_that_lead_nowhere_are_404_with_one_line(pages: Pages, path: str) -> None:
    """No traceback, no file of ours, no markup of theirs, no redirect."""
    answer = await pages.get("http://127.0.0.1:8321" + path)
    assert answer.status_code == 404
    assert "Traceback" not in answer.text
    assert "from __future__" not in answer.text
    assert "<script>alert" not in answer.text
    assert "x-bad" not in answer.headers


async def test_json_errors_are_one_line(pages: Pages) -> None:
    """For scripts."""
    for path in ("/api/trips/99", "/api/dampers/none", "/api/nothing"):
        answer = await pages.get(path)
        assert answer.status_code == 404
        assert set(answer.json()) == {"schema", "engine", "error"}
        assert "\n" not in answer.json()["error"]


@pytest.mark.parametrize(
    ("path", "status"),
    [
        ("/trips?before=" + "1" * 2000, 414),
        ("/?" + "a=b&" * 5000, 414),
        ("/" + "a" * 5000, 414),
        ("/?" + "a" * 900, 200),
    ],
)
async def test_huge_addresses_are_refused(pages: Pages, path: str, status: int) -> None:
    """Before anything is parsed."""
    assert (await pages.get(path)).status_code == status


@pytest.mark.parametrize(
    "host",
    ["127.0.0.1", "127.0.0.1:8321", "127.1.2.3:80", "localhost", "LOCALHOST:8321", "localhost.", "[::1]:8321", "[::1]"],
)
async def test_own_names_are_served(pages: Pages, host: str) -> None:
    """What a person types."""
    assert (await pages.get("/health", headers={"Host": host})).status_code == 200


@pytest.mark.parametrize(
    "host",
    [
        "evil.example",
        "evil.example:8321",
        "127.0.0.1.evil.example",
        "localhost.evil.example",
        "192.168.4.1:8321",
        "0.0.0.0:8321",
        "[fe80::1]:8321",
        "2130706433",
        "0x7f000001",
        "xn--lcalhost-13a",
    ],
)
async def test_foreign_names_are_turned_away(pages: Pages, host: str) -> None:
    """A web site whose name is pointed at this address must not read the pages."""
    answer = await pages.get("/api/live", headers={"Host": host})
    assert answer.status_code == 421
    assert answer.text.count("\n") == 1


@pytest.mark.parametrize(
    "host",
    [
        "",
        " ",
        "a b",
        "a/b",
        "<b>",
        "127.0.0.1:",
        "127.0.0.1:99999",
        "127.0.0.1:8321:1",
        "[::1",
        "::1",
        "[x]",
        "a" * 300,
    ],
)
async def test_malformed_host_is_400(pages: Pages, host: str) -> None:
    """RFC 9112 section 3.2: an invalid Host is answered with 400."""
    assert (await pages.get("/health", headers={"Host": host})).status_code == 400


async def test_two_host_headers_are_400(pages: Pages) -> None:
    """RFC 9112 section 3.2: more than one Host is answered with 400."""
    headers = [("Host", "127.0.0.1"), ("Host", "evil.example")]
    assert (await pages.get("/health", headers=headers)).status_code == 400


async def test_listen_address_and_given_names_are_ours(make_pages: Callable[..., Pages]) -> None:
    """On the vehicle's own network."""
    pages = make_pages(listen_host="192.168.4.1", host_names=("pi.local",))
    hosts = ("192.168.4.1:8321", "pi.local:8321", "Pi.Local", "192.168.4.2:8321", "other.local")
    statuses = [(await pages.get("/health", headers={"Host": host})).status_code for host in hosts]
    assert statuses == [200, 200, 200, 421, 421]


async def test_on_all_addresses_any_ip_is_ours_but_no_foreign_name(make_pages: Callable[..., Pages]) -> None:
    """Rebinding needs a name; an IP literal can't be one."""
    pages = make_pages(listen_host="0.0.0.0")  # noqa: S104 - nothing listens here
    hosts = ("192.168.4.1:8321", "[fe80::1]:8321", "evil.example:8321")
    statuses = [(await pages.get("/health", headers={"Host": host})).status_code for host in hosts]
    assert statuses == [200, 200, 421]


async def test_hostile_names_are_shown_as_text(pages: Pages) -> None:
    """Serials, tags, profiles and names come from labels, files and other people."""
    view = pages.view
    view.damper_rows = [
        replace(damper_summary("front_left"), label=HOSTILE, serial=HOSTILE, profile=HOSTILE, position=HOSTILE)
    ]
    detail = view.trip_details[1]
    rows = tuple(
        replace(row, position=HOSTILE, label=HOSTILE, serial=HOSTILE, unit_id=HOSTILE) for row in detail.dampers
    )
    named = replace(detail.trip, name=HOSTILE)
    view.trip_details[1] = TripDetail(named, rows)
    view.trip_rows = [named]
    unit_id = view.damper_rows[0].unit_id
    for path in ("/trips", "/trips/1", "/dampers", f"/dampers/{unit_id}", "/dampers/" + quote(HOSTILE, safe="")):
        answer = await pages.get(path)
        assert answer.status_code == 200, path
        assert "&lt;script&gt;alert(1)" in answer.text
        assert "<script>alert" not in answer.text
        assert "<img src=x" not in answer.text
        assert "49" not in re.findall(r"&gt;(\d+)", answer.text)
    assert (await pages.get(f"/api/dampers/{unit_id}")).json()["damper"]["damper"]["serial"] == HOSTILE


async def test_hostile_error_text_is_shown_as_text(pages: Pages) -> None:
    """What was asked for is repeated in the error, escaped."""
    answer = await pages.get("/trips?before=" + quote("<script>alert(1)</script>"))
    assert answer.status_code == 400
    assert "&lt;script&gt;" in answer.text
    assert "<script>alert" not in answer.text


async def test_unreadable_ledger_is_one_line_and_live_goes_on(pages: Pages) -> None:
    """A damaged file must not take the temperatures away."""
    pages.view.problem = "ledger /data/ledger.sqlite is damaged;\nrestore the last backup"
    for path in ("/trips", "/trips/1", "/dampers", "/dampers/x"):
        answer = await pages.get(path)
        assert answer.status_code == 503
        assert "damaged; restore the last backup" in answer.text
        assert (await pages.get("/api" + path)).json()["error"].endswith("damaged; restore the last backup")
    assert (await pages.get("/")).status_code == 200
    assert (await pages.get("/health.json")).json()["ledger"].startswith("ledger /data")


async def test_failure_inside_is_one_line_with_headers(pages: Pages, caplog: pytest.LogCaptureFixture) -> None:
    """A bug of ours shows no traceback to the reader, but leaves one in the log, and is counted."""

    def broken() -> list[Any]:
        raise ZeroDivisionError("secret detail")

    pages.view.dampers = broken  # type: ignore[method-assign]
    answer = await pages.get("/dampers")
    assert answer.status_code == 500
    assert "the page failed" in answer.text
    assert "the page failed" in (await pages.get("/api/dampers")).json()["error"]
    assert "secret" not in answer.text
    assert answer.headers["content-security-policy"]
    assert "ZeroDivisionError: secret detail" in caplog.text
    assert (await pages.get("/health.json")).json()["requests_failed_count"] == 2


async def test_health_is_readable_line_by_line(pages: Pages) -> None:
    """Someone may have to read it out over the phone."""
    faulty = damper_now("front_left", faults=("travel_stuck", "gap"))
    pages.feed.accept_line(b"garbage")
    pages.feed.accept_line(encode_snapshot(snapshot(1, dampers=(faulty,), drops={"snapshot": 4}, utc_trusted=False)))
    answer = await pages.get("/health")
    assert answer.headers["content-type"].startswith("text/plain")
    lines = dict(line.split(": ", 1) for line in answer.text.splitlines()[1:])
    assert lines["link"] == "live, last data 0.0 s ago"
    assert lines["dropped"] == "snapshot 4"
    assert lines["faults"] == "front_left travel_stuck + gap"
    assert lines["clock"] == "not set"
    assert lines["ledger"] == "readable"
    assert "garbled 1" in lines["lines from core"]
    assert all(answer.text.isascii() and line.strip() for line in answer.text.splitlines())


async def test_health_says_that_the_ledger_was_put_right(pages: Pages) -> None:
    pages.view.recovered_text = "put right 2026-01-02"
    assert "ledger: readable; put right 2026-01-02\n" in (await pages.get("/health")).text


async def test_hostile_source_text_cannot_add_a_line_to_health(pages: Pages) -> None:
    """Only whole facts of ours start a line."""
    pages.feed.accept_line(encode_snapshot(snapshot(1, vehicle=VehicleName("v", "x"), drops={"a\u2028b": 1})))
    assert len((await pages.get("/health")).content.split(b"\n")) == 18


async def test_no_place_left_is_503_in_one_line(make_pages: Callable[..., Pages]) -> None:
    """The limit protects the board."""
    pages = make_pages(max_clients=0)
    answer = await pages.get("/events")
    assert answer.status_code == 503
    assert answer.text.count("\n") == 1
    assert (await pages.get("/health.json")).json()["clients_refused_count"] == 1


async def test_files_are_revalidated(pages: Pages) -> None:
    """After an update no phone runs yesterday's script; unchanged files cost no transfer."""
    first = await pages.get("/static/live.js")
    assert first.headers["content-type"].split(";")[0] == "text/javascript"
    assert first.headers["cache-control"] == "no-cache"
    again = await pages.get("/static/live.js", headers={"If-None-Match": first.headers["etag"]})
    assert again.status_code == 304


async def test_our_own_files_name_no_other_place(pages: Pages) -> None:
    """No font, script or picture from outside."""
    static = Path(__file__).parents[2] / "src" / "dutylog" / "web" / "static"
    for file in static.iterdir():
        text = file.read_text(encoding="utf-8").replace("http://www.w3.org/2000/svg", "")
        assert not re.search(r"https?:|//[a-z]+\.|@import|url\(|eval\(|innerHTML|document\.write", text), file.name


async def test_documents_have_a_row_for_every_route(pages: Pages) -> None:
    """Others call these addresses; each is in shared/SNAPSHOT.md, and nothing else is."""
    rows = set(re.findall(r"^\| `(/[^`]*)` \|", DOCUMENT, re.MULTILINE))
    routes = {
        re.sub(r":path", "", route.path)
        for route in pages.app.routes
        if isinstance(route, Route | Mount) and route.path
    }
    assert routes
    assert rows == routes


@pytest.mark.parametrize("path", ["/api/live", "/line", "/health", "/health.json"])
async def test_who_asks_for_the_vehicle_of_now_is_somebody_who_looks(pages: Pages, path: str) -> None:
    """Core rests while nobody does (shared/SNAPSHOT.md); pages of trips and dampers don't wake it."""
    said: list[bytes] = []
    pages.feed.line_up(said.append)
    pages.clock.advance(LINGER_S + 1.0)
    pages.feed.accept(snapshot(1))
    await pages.get("/trips")
    await pages.get("/api/dampers")
    assert said == [RESTING]
    answer = asyncio.create_task(pages.get(path))
    while said == [RESTING]:
        await asyncio.sleep(0.001)
    assert not answer.done()
    pages.feed.accept(snapshot(2))
    assert (await answer).status_code == 200
    assert said == [RESTING, WATCHED]
