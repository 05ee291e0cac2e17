"""Search, customers, settings, keys and lists on the bench's pages, over a real store and real cards."""

from __future__ import annotations

import json
import re
from datetime import date
from pathlib import Path
from typing import Any

import pytest

from bench.card_made import Yard
from dutylog.bench.roles import MANAGER, TECHNICIAN, VIEWER
from dutylog.bench.store.chain import Who
from dutylog.domain.vehicle import CONSTRUCTIONS, JOINTS, RESERVOIRS
from dutylog.domain.wear import MIXES
from dutylog.web.bench.log_words import _SHOWN, _WORDS
from dutylog.web.bench.statement_form import CONSTRUCTION_WORDS, JOINT_WORDS, MIX_WORDS, RESERVOIR_WORDS, read_statement
from web.bench.bench_parts import BenchOf, text_of
from web.bench.intake_parts import bring_then_renew, cards, upload

__all__ = ["cards"]
pytestmark = pytest.mark.anyio


async def test_a_damper_is_found_by_serial_vehicle_and_customer(shop: BenchOf, cards: list[dict[str, Any]]) -> None:
    vera, theo = await shop.of(VIEWER), await shop.of(TECHNICIAN)
    await upload(theo, cards[0])
    await theo.post("/jobs/1/owner", customer="Dee Example", vehicle="Old Red", is_renamed="yes")
    for text in ("sn-1", "old red", "DEE"):
        found = (await vera.get("/", params={"q": text})).text
        assert re.search(r'<a class="card" href="/dampers/[^"]+">', found), text
    nothing = await vera.get("/", params={"q": "%' OR 1=1 --"})
    assert "No damper by that serial" in nothing.text
    page = text_of((await vera.get(re.findall(r'href="(/dampers/[^"]+)"', found)[0])).text)
    for words in ("Old Red", "Dee Example", "Job 1", "Card 1", "Services that are known", "2026-03-03"):
        assert words in page
    assert "Whose it is" not in text_of((await vera.get("/jobs/1")).text)


async def test_customers_and_their_vehicles_are_written_down_and_corrected(
    shop: BenchOf, cards: list[dict[str, Any]]
) -> None:
    theo = await shop.of(TECHNICIAN)
    await upload(theo, cards[0])
    made = await theo.post("/customers", name="Dee Example", contact="555 0100", note="two\nlines")
    page = await theo.get(made.headers["location"])
    assert "Give them a vehicle that is known by its card" in page.text
    with shop.store.read() as reading:
        vehicle, customer = reading.vehicles()[0], reading.customers()[0]
    given = {"vehicle_key": vehicle.vehicle_key, "customer_id": customer.customer_id}
    assert (await theo.post("/vehicles", **given)).headers["location"] == f"/customers/{customer.customer_id}"
    await theo.post("/vehicles", label="Old Red", radio_agreed_by="Dee", **given)
    page = text_of((await theo.get(f"/customers/{customer.customer_id}")).text)
    assert "Old Red" in page
    assert "agreed by Dee , 2026-11-30 09:00 UTC" in page
    assert "SN-1" in page
    with shop.store.read() as reading:
        kept = reading.vehicles()[0]
    assert (kept.ledger_id, kept.vehicle_id) == (vehicle.ledger_id, vehicle.vehicle_id)
    await theo.post("/customers", customer_id=customer.customer_id, name="Dee Other")
    assert "Dee Other" in (await theo.get("/customers")).text
    for path, fields in (
        ("/customers", {"name": ""}),
        ("/customers", {"name": "x" * 81}),
        ("/vehicles", {"label": "\u202e\x00"}),
    ):
        assert (await theo.post(path, **fields)).status_code == 400
    for path, fields in (
        ("/customers", {"customer_id": "gone", "name": "x"}),
        ("/vehicles", {"vehicle_key": "gone", "label": "x"}),
        ("/vehicles", {"customer_id": "gone", "label": "x"}),
    ):
        assert (await theo.post(path, **fields)).status_code == 404


async def test_units_of_the_bench_are_shown_first(
    tmp_path: Path, made_store: Path, cards: list[dict[str, Any]]
) -> None:
    shop = BenchOf(tmp_path, made_store, units="us")
    theo = await shop.of(TECHNICIAN)
    await upload(theo, cards[0])
    page = (await theo.get("/jobs/1")).text
    assert 'data-units="us"' in page
    assert re.search(r'data-kind="far_m"[^>]*>[0-9\u202f.]+\u00a0mi<', page)
    assert "\u00a0km" not in page
    shop.store.close()


async def test_places_that_are_not_there_are_said_so(shop: BenchOf) -> None:
    mona = await shop.of(MANAGER)
    for path in (
        "/jobs/1",
        "/jobs/0",
        "/jobs/x",
        "/jobs/99999999999999999999",
        "/dampers/x",
        "/customers/x",
        "/settings/x",
    ):
        answer = await mona.get(path)
        assert answer.status_code == 404, path
        assert "Signed" not in answer.text
        assert "Mona" in answer.text
    as_json = await mona.get("/jobs/1", headers={"Accept": "application/json"})
    assert as_json.json()["error"] == "no job 1; see the list of jobs"


async def test_a_store_that_is_out_of_reach_is_one_line(shop: BenchOf) -> None:
    mona = await shop.of(MANAGER)
    shop.store.close()
    answer = await mona.get("/")
    assert answer.status_code == 503
    assert "is closed" in text_of(answer.text)
    assert "Traceback" not in answer.text


def test_every_kind_of_entry_has_words_in_the_log() -> None:
    from dutylog.bench.entry_kinds import KINDS

    assert set(_WORDS) == set(_SHOWN) == set(KINDS)
    for kind, names in _SHOWN.items():
        assert set(names) <= set(KINDS[kind].fields), kind
        assert not {"code", "card", "summary", "record", "photos", "public_key", "contact"} & set(names), kind


def test_every_word_of_the_form_is_one_that_is_known() -> None:
    assert set(CONSTRUCTION_WORDS) == set(CONSTRUCTIONS)
    assert set(RESERVOIR_WORDS) == set(RESERVOIRS)
    assert set(JOINT_WORDS) == set(JOINTS)
    assert set(MIX_WORDS) == set(MIXES)


def test_a_form_with_nothing_but_the_construction_is_enough() -> None:
    told = read_statement({"construction": "emulsion"}, "B7")
    assert (told.tag, told.serial, told.distance_m, told.years, told.last_service) == ("B7", None, None, None, None)
    assert told.was_rebuilt
    service = read_statement({"construction": "emulsion", "last_service": "2026-01-02", "serial": "A"}, "B7")
    assert (service.last_service, service.was_rebuilt, service.tag) == (date(2026, 1, 2), False, None)
    assert json.dumps(service.to_dict())


async def test_a_manager_joins_a_damper_that_is_known_twice(
    shop: BenchOf, cards: list[dict[str, Any]], tmp_path: Path
) -> None:
    """It was moved: the intake says so, a technician can't join, and the manager's word makes one history."""
    theo, mona = await shop.of(TECHNICIAN), await shop.of(MANAGER)
    await upload(theo, cards[0])
    other = Yard(tmp_path / "other").issue("SN-1")
    answer = await upload(theo, other)
    assert "is known here from vehicle" in text_of((await theo.get(answer.headers["location"])).text)
    with shop.store.read() as reading:
        new, old = reading.find_dampers(serial="SN-1")
    place = f"/dampers/{old.damper_id}"
    assert "Join them" not in (await theo.get(place)).text
    assert (await theo.post(f"{place}/join", other=new.damper_id, why="moved")).status_code == 403
    page = await mona.get(place)
    assert f'<option value="{new.damper_id}">' in page.text
    assert "Known here twice?" in text_of(page.text)
    refused = await mona.post(f"{place}/join", other=new.damper_id, why="")
    assert refused.status_code == 400
    assert "write down how it is known" in refused.text
    assert (await mona.post("/dampers/nobody/join", other=new.damper_id, why="x")).status_code == 404
    joined = await mona.post(f"{place}/join", other=new.damper_id, why="its owner says so")
    assert (joined.status_code, joined.headers["location"]) == (303, f"/dampers/{new.damper_id}")
    text = text_of((await mona.get(joined.headers["location"])).text)
    assert "are one damper now" in text
    assert "Job 1" in text
    assert (await mona.get(place)).status_code == 404
    assert "joined two dampers into one" in text_of((await mona.get("/settings/log")).text)


async def test_a_refused_card_reaches_the_manager_and_the_form_keeps_what_was_typed(
    shop: BenchOf, yard: Yard, tmp_path: Path
) -> None:
    """The technician brought it on one tablet; the manager finds it on another."""
    mona, theo = await shop.of(MANAGER), await shop.of(TECHNICIAN)
    moved = await bring_then_renew(theo, yard, tmp_path / "vehicle")
    assert (await upload(theo, moved.issue("SN-2"), "new logger.card.json")).status_code == 409
    assert "waiting for a manager" not in (await theo.get("/intake")).text
    page = (await mona.get("/intake")).text
    link = re.search(r'href="(/intake/held/[0-9a-f]{64})"', page)
    assert link is not None
    assert "brought by Theo" in text_of(page)
    assert "kept for 15 min more" in text_of(page)
    assert (await theo.get(link[1])).status_code == 403
    shown = await mona.get(link[1])
    assert "new logger.card.json" in shown.text
    key = link[1].rpartition("/")[2]
    no_tick = await mona.post("/intake/accept", key=key, why="new logger, says Dee")
    assert no_tick.status_code == 400
    assert ">new logger, says Dee</textarea>" in no_tick.text
    no_why = await mona.post("/intake/accept", key=key, accept_key_changed="yes")
    assert no_why.status_code == 400
    assert 'name="accept_key_changed" value="yes" checked' in no_why.text
    fields = {"why": "new logger, says Dee", "accept_key_changed": "yes"}
    assert (await mona.post("/intake/accept", key=key, **fields)).status_code == 303
    assert "waiting for a manager" not in (await mona.get("/intake")).text


async def test_a_withdrawn_key_signs_no_card_in_until_a_manager_accepts_it(
    shop: BenchOf, cards: list[dict[str, Any]]
) -> None:
    """A logger was stolen: whoever has it goes on signing."""
    mona, theo = await shop.of(MANAGER), await shop.of(TECHNICIAN)
    await upload(theo, cards[0])
    with shop.store.read() as reading:
        key = reading.vehicle_keys()[0]
    fields = {"ledger_id": key.ledger_id, "key_id": key.key_id}
    assert (await theo.post("/settings/keys/withdraw", why="stolen", **fields)).status_code == 403
    for wrong in ({"why": ""}, {"why": "a\u202eb"}, {"why": "x", "key_id": "0" * 16}, {"why": "x", "ledger_id": "y"}):
        assert (await mona.post("/settings/keys/withdraw", **fields | wrong)).status_code == 400
    assert len(shop.entries("key_trusted")) == 1
    done = await mona.post("/settings/keys/withdraw", why="logger stolen, says Dee", **fields)
    assert done.headers["location"] == "/settings"
    page = (await mona.get("/settings")).text
    assert "logger stolen, says Dee" in page
    assert "Trust it no more" not in page
    assert (await mona.post("/settings/keys/withdraw", why="again", **fields)).status_code == 400
    refused = await upload(mona, cards[1])
    assert refused.status_code == 409
    assert "was withdrawn here, by a manager" in text_of(refused.text)
    assert "A manager may accept it" in refused.text
    held = re.search(r'name="key" value="([0-9a-f]{64})"', refused.text)
    assert held is not None
    back = await mona.post("/intake/accept", key=held[1], why="it was found again", accept_key_changed="yes")
    assert back.status_code == 303
    with shop.store.read() as reading:
        assert [one.how for one in reading.vehicle_keys()] == ["accepted"]


async def test_finished_jobs_have_a_list(shop: BenchOf) -> None:
    vera, theo = await shop.of(VIEWER), await shop.of(TECHNICIAN)
    assert "No job is over yet" in (await vera.get("/finished")).text
    with shop.store.write(Who("Theo", TECHNICIAN)) as tx:
        for number in range(1, 54):
            made = {"construction": "emulsion", "reservoir": "none", "joints": "bushing", "tag": f"T{number}"}
            empty = dict.fromkeys(("unit_id", "serial", "vehicle_key", "position", "profile_name", "profile"))
            tx.append("damper_put", {**empty, **made}, f"d-{number}")
            opened = {"basis": "stated", "digest": None, "statement": None, "note": None}
            job = tx.append("job_opened", opened, f"d-{number}").job_id
            if number != 53:
                tx.append("stage", {"stage": "called_off", "note": None}, job_id=job)
    page = (await vera.get("/finished")).text
    numbers = [int(one) for one in re.findall(r'href="/jobs/([0-9]+)"', page)]
    assert numbers == list(range(52, 2, -1)), "the one under way isn't among them"
    assert 'href="/finished?before=3"' in page
    older = (await vera.get("/finished?before=3")).text
    assert re.findall(r'href="/jobs/([0-9]+)"', older) == ["2", "1"]
    assert (await vera.get("/finished?before=x")).status_code == 404
    assert 'href="/finished"' in (await theo.get("/")).text


async def test_a_photo_is_asked_for_anew_each_time_and_by_nobody_who_signed_out(shop: BenchOf) -> None:
    """A shared tablet must not show what the one before saw."""
    theo = await shop.of(TECHNICIAN)
    body = b"\xff\xd8\xff\xe0photo"
    with shop.store.write(Who("Theo", TECHNICIAN)) as tx:
        sha = tx.put_photo(body, "image/jpeg")
    first = await theo.get(f"/photos/{sha}")
    assert first.content == body
    assert first.headers["cache-control"] == "private, no-cache"
    again = await theo.get(f"/photos/{sha}", headers={"If-None-Match": first.headers["etag"]})
    assert (again.status_code, again.content) == (304, b"")
    await theo.post("/sign-out")
    gone = await theo.get(f"/photos/{sha}", headers={"If-None-Match": first.headers["etag"]})
    assert gone.status_code == 303
