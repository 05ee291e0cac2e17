"""Repairs of a trip on its page: what is shown of them, what the forms ask of core, and what hostile input does."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import httpx
import pytest

from dutylog.clock import ManualClock
from dutylog.ledger.command import apply_command
from dutylog.web import app as app_module
from dutylog.web.app import create_app
from dutylog.web.feed import LiveFeed
from dutylog.web.ledger_view import SqliteLedgerView
from dutylog.web.review_desk import ReviewDesk
from dutylog.web.settings import WebSettings
from dutylog.web.view import TripRepairRow
from ledger.builders import open_ledger
from ledger.trip_made import make_trips
from web.access_parts import BASE, AccessPages, AnsweringCore, core, pages, signed_in
from web.life_samples import fake_jobs
from web.test_life_writes import Forms

__all__ = ["core", "pages"]

FORMS = {
    "/trips/2/split": ({"at": "0:12:30"}, {"command": "trip_split", "trip": "2", "at_s": 750.0}, "/trips/2"),
    "/trips/2/not-driven": (
        {"why": "dyno", "note": " on the bench "},
        {"command": "trip_not_driven", "trip": "2", "why": "dyno", "note": "on the bench"},
        "/trips/2",
    ),
}


@pytest.mark.anyio
@pytest.mark.parametrize("action", FORMS)
async def test_a_form_reaches_core_with_the_name_of_the_session(
    pages: AccessPages, core: AnsweringCore, action: str
) -> None:
    client, csrf = await signed_in(pages)
    fields, request, see = FORMS[action]
    offered = Forms((await client.get("/trips/2")).text).found[action]
    assert set(fields) <= set(offered)
    assert offered["csrf"] == [csrf]
    answer = await client.post(action, data={**fields, "csrf": csrf, "by": "Somebody else"})
    assert (answer.status_code, answer.headers["location"]) == (303, see)
    assert core.asked == [{"schema": 1, **request, "by": "A. Miller"}]


@pytest.mark.anyio
async def test_merge_and_undo_lead_on_to_the_trip_that_is_left(pages: AccessPages, core: AnsweringCore) -> None:
    client, csrf = await signed_in(pages)
    pages.view.trip_details[2] = replace(pages.view.trip_details[2], repairs=(repaired(17),))
    merged = await client.post("/trips/2/merge", data={"before": "1", "csrf": csrf})
    undone = await client.post("/trips/2.1/undo", data={"entry": "17", "csrf": csrf})
    assert (merged.headers["location"], undone.headers["location"]) == ("/trips/1", "/trips/2")
    assert [(one["command"], one.get("trips"), one.get("entry")) for one in core.asked] == [
        ("trip_merge", ["1", "2"], None),
        ("trip_undo", None, 17),
    ]


@pytest.mark.anyio
@pytest.mark.parametrize(
    ("trip", "entry"),
    [("2", "18"), ("1", "17"), ("3", "17"), ("9", "17"), ("2.1", "18"), ("1.2", "17"), ("2", "999999999999999")],
)
async def test_only_a_repair_of_the_trip_itself_is_undone(
    pages: AccessPages, core: AnsweringCore, trip: str, entry: str
) -> None:
    client, csrf = await signed_in(pages)
    pages.view.trip_details[2] = replace(pages.view.trip_details[2], repairs=(repaired(17),))
    answer = await client.post(
        f"/trips/{trip}/undo", data={"entry": entry, "csrf": csrf}, headers={"accept": "application/json"}
    )
    assert answer.status_code == 404
    assert answer.json()["error"] == f"entry {entry} is no repair of trip {trip}; open its page again"
    assert core.asked == []


@pytest.mark.anyio
@pytest.mark.parametrize(
    ("path", "fields", "said"),
    [
        ("/trips/2/split", {"at": "soon"}, "is no time of a trip; write it as 0:12:30"),
        ("/trips/2/split", {"at": "0:99:00"}, "is no time of a trip"),
        ("/trips/2/split", {"at": "٠:١٢:٣٠"}, "is no time of a trip"),
        ("/trips/2/undo", {"entry": "1 OR 1"}, "is no entry; choose a repair"),
        ("/trips/2/undo", {}, "is no entry; choose a repair"),
        ("/trips/x/undo", {"entry": "3"}, "is no trip number; open the list of trips again"),
        ("/trips/2.0/split", {"at": "0:10:00"}, "is no trip number; open the list of trips again"),
    ],
)
async def test_nonsense_is_one_line_and_reaches_nobody(
    pages: AccessPages, core: AnsweringCore, path: str, fields: dict[str, str], said: str
) -> None:
    client, csrf = await signed_in(pages)
    answer = await client.post(path, data={**fields, "csrf": csrf}, headers={"accept": "application/json"})
    assert answer.status_code == 400
    assert said in answer.json()["error"]
    assert core.asked == []


def repaired(row: int) -> TripRepairRow:
    return TripRepairRow(row, "2", "split 0:10:00 after its begin", "Ada", None, 1_764_000_000.0, True, None)


def looked_at(data_dir: Path) -> httpx.AsyncClient:
    settings = WebSettings(data_dir=data_dir)
    app = create_app(
        LiveFeed(ManualClock(mono_ns=10**12)),
        SqliteLedgerView(data_dir),
        settings,
        jobs=fake_jobs(),
        desk=ReviewDesk(None),
    )
    return httpx.AsyncClient(transport=httpx.ASGITransport(app, client=("127.0.0.1", 1)), base_url=BASE)


def repair(data_dir: Path, command: str, **fields: Any) -> None:
    with open_ledger(data_dir) as ledger:
        reply = apply_command(ledger, {"schema": 1, "command": command, "by": "Ada <b>", **fields}).reply
    assert reply["ok"], reply


@pytest.fixture
def data(tmp_path: Path) -> Path:
    with open_ledger(tmp_path) as ledger:
        make_trips(ledger)
    return tmp_path


@pytest.mark.anyio
async def test_parts_are_trips_of_the_list_with_pages_of_their_own(data: Path) -> None:
    repair(data, "trip_split", trip="1", at_s=120.0)
    client = looked_at(data)
    listed = (await client.get("/api/trips")).json()["trips"]
    assert [(one["key"], one["number"]) for one in listed] == [("3", 3), ("2", 2), ("1.2", 1), ("1.1", 1)]
    page = (await client.get("/trips")).text
    assert all(f'href="/trips/{key}"' in page for key in ("1.1", "1.2", "2", "3"))
    whole, part = (await client.get("/trips/1")).text, (await client.get("/trips/1.2")).text
    assert 'href="/trips/1.1"' in whole
    assert 'href="/trips/1.2"' in whole
    assert "A part of" in part
    assert "Trip 1.2" in part
    assert "Ada &lt;b&gt;" in whole
    assert "<b>Ada" not in whole
    energies = [(await client.get(f"/api/trips/{key}")).json()["trip"]["energy_j"] for key in ("1", "1.1", "1.2")]
    assert energies[0] == pytest.approx(energies[1] + energies[2], abs=1e-9)
    assert (await client.get("/trips/1.3")).status_code == 404
    assert (await client.get("/api/trips?before=1.2")).json()["trips"][0]["key"] == "1.1"


@pytest.mark.anyio
async def test_the_page_of_a_merged_trip_points_to_the_first(data: Path) -> None:
    repair(data, "trip_merge", trips=["1", "2"])
    client = looked_at(data)
    moved = await client.get("/trips/2")
    assert (moved.status_code, moved.headers["location"]) == (303, "/trips/1")
    assert "made of trips 1, 2" in (await client.get("/trips/1")).text


@pytest.mark.anyio
async def test_what_was_not_driven_is_said_and_left_out(data: Path) -> None:
    client = looked_at(data)
    before = {one["unit_id"]: one for one in (await client.get("/api/dampers")).json()["dampers"]}
    repair(data, "trip_not_driven", trip="2", why="transport", note=None)
    shares = {one["unit_id"]: one for one in (await client.get("/api/trips/2")).json()["dampers"]}
    after = {one["unit_id"]: one for one in (await client.get("/api/dampers")).json()["dampers"]}
    for unit_id, share in shares.items():
        left_j = before[unit_id]["energy_total_j"] - share["energy_j"]
        assert after[unit_id]["energy_total_j"] == pytest.approx(left_j, abs=1e-9)
        assert share["energy_j"] > 0.0
    assert "Not driven" in (await client.get("/trips/2")).text
    assert "not driven" in (await client.get("/trips")).text


@pytest.mark.anyio
async def test_a_trip_left_out_by_a_merge_that_is_gone_has_its_way_back(data: Path) -> None:
    repair(data, "trip_merge", trips=["1", "2"])
    repair(data, "trip_not_driven", trip="1", why="dyno", note=None)
    with open_ledger(data) as ledger:
        joined, mark = (ledger.entries_of(kind)[-1].row for kind in ("trip_merge", "trip_not_driven"))
    repair(data, "trip_undo", entry=joined)
    for key in ("1", "2"):
        detail = SqliteLedgerView(data).trip(key)
        assert detail is not None
        assert detail.trip.not_driven == "dyno"
        assert [(one.row, one.undone_by is None) for one in detail.repairs] == [(mark, True), (joined, False)]
    assert SqliteLedgerView(data).trip("3").repairs == ()  # type: ignore[union-attr]
    page = (await looked_at(data).get("/trips/2")).text
    assert f"entry {mark}" in page


@pytest.mark.anyio
async def test_mud_on_a_merged_trip_is_shown_whenever_it_was_told(data: Path) -> None:
    repair(data, "dirt", trip=2, what="mud", washed=False, note=None)
    repair(data, "trip_merge", trips=["1", "2"])
    client = looked_at(data)
    assert "mud, not washed yet" in (await client.get("/trips/1")).text
    repair(data, "dirt", trip=1, what="sand", washed=True, note=None)
    assert "sand, washed afterwards" in (await client.get("/trips/1")).text
    with open_ledger(data) as ledger:
        repair_row = ledger.entries_of("trip_merge")[-1].row
    repair(data, "trip_undo", entry=repair_row)
    for key in ("1", "2"):
        assert "sand, washed afterwards" in (await client.get(f"/trips/{key}")).text


@pytest.mark.anyio
@pytest.mark.parametrize("size", [1, 2, 3, 4])
async def test_pages_of_the_list_lose_nothing_at_their_borders(
    data: Path, monkeypatch: pytest.MonkeyPatch, size: int
) -> None:
    """Numbers come twice where a trip was split; keys are what tells trips apart, and pages go on by them."""
    repair(data, "trip_merge", trips=["2", "3"])
    repair(data, "trip_split", trip="2", at_s=1700.0)
    repair(data, "trip_split", trip="2", at_s=60.0)
    repair(data, "trip_split", trip="1", at_s=120.0)
    repair(data, "trip_split", trip="1", at_s=180.0)
    client = looked_at(data)
    every = (await client.get("/api/trips")).json()["trips"]
    keys = [one["key"] for one in every]
    assert keys == ["2.3", "2.2", "2.1", "1.3", "1.2", "1.1"]
    assert len({one["number"] for one in every}) < len(keys) == len(set(keys))
    monkeypatch.setattr(app_module, "MAX_TRIPS", size)
    found, before = [], ""
    for _ in keys:
        answer = (await client.get(f"/api/trips{before}")).json()
        found += answer["trips"]
        if answer["older_before"] is None:
            break
        before = f"?before={answer['older_before']}"
    assert found == every
