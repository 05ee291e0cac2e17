"""Intake, dampers, customers and settings on the bench's pages, over a real store and real cards."""

from __future__ import annotations

import json
import re
import shutil
from datetime import date
from pathlib import Path
from typing import Any

import pytest

from bench.card_made import Yard, changed, signed_anew, stranger
from dutylog.bench.canonical import encode_file
from dutylog.bench.card_key import renew_key
from dutylog.bench.kept_card import read_kept
from dutylog.bench.roles import MANAGER, TECHNICIAN, VIEWER
from dutylog.bench.store.chain import Who
from dutylog.domain.vehicle import CONSTRUCTIONS, JOINTS, RESERVOIRS
from dutylog.domain.wear import MIXES
from dutylog.web.bench.held_cards import HELD_S
from dutylog.web.bench.log_words import _SHOWN, _WORDS
from dutylog.web.bench.statement_form import CONSTRUCTION_WORDS, JOINT_WORDS, MIX_WORDS, RESERVOIR_WORDS, read_statement
from web.bench.bench_parts import BenchOf, Person, text_of

pytestmark = pytest.mark.anyio
HOSTILE = "<script>alert(1)</script>\"'&{{ 7919 * 7919 }}"
TOLD = {
    "construction": "floating_piston",
    "reservoir": "hose",
    "joints": "rod_end",
    "mix": "hard",
    "distance": "12,000.5".replace(",", ""),
    "distance_unit": "mi",
    "years": "2,5",
}


@pytest.fixture(scope="module")
def cards(yard: Yard) -> list[dict[str, Any]]:
    """Give two cards of one damper and one of another of the same vehicle."""
    return [yard.issue("SN-1"), yard.issue("SN-1"), yard.issue("SN-2")]


async def upload(person: Person, card: Any, name: str = "one.card.json") -> Any:
    data = card if isinstance(card, bytes) else encode_file(card)
    return await person.post("/intake/card", files={"card": (name, data)})


async def test_a_card_comes_in_and_its_page_tells_what_the_damper_has_done(
    shop: BenchOf, cards: list[dict[str, Any]]
) -> None:
    theo = await shop.of(TECHNICIAN)
    answer = await upload(theo, cards[0])
    assert (answer.status_code, answer.headers["location"]) == (303, "/jobs/1")
    page = text_of((await theo.get("/jobs/1")).text)
    assert "card 1 of SN-1 taken in" in page
    assert "Measured on its vehicle, and worked out for up to 100 % of a part" in page
    assert "by its signed duty card , of 2026-11-02" in page
    assert "first card of this vehicle here" in page
    assert "Look at first" in page
    used = {one["part"]: one["used_ratio"] for one in cards[0]["parts"]}
    assert f"{round(100 * used['shaft_seal'])} %" in page
    assert "2026-03-04 by Ada : hose new" in page
    assert "card 1 of SN-1 taken in" not in text_of((await theo.get("/jobs/1")).text)
    kinds = [one.kind for one in shop.entries()[:7]]
    assert kinds[::-1] == [
        "signed_in", "key_trusted", "vehicle_put", "damper_put", "card_imported", "due_put", "job_opened",
    ]  # fmt: skip


async def test_the_same_card_again_adds_nothing_and_leads_to_the_same_job(
    shop: BenchOf, cards: list[dict[str, Any]]
) -> None:
    theo = await shop.of(TECHNICIAN)
    await upload(theo, cards[0])
    before = len(shop.entries())
    again = await upload(theo, cards[0])
    assert again.headers["location"] == "/jobs/1"
    assert len(shop.entries()) == before
    assert "this very card was taken in before" in (await theo.get("/jobs/1")).text


async def test_a_newer_card_counts_on_the_page_of_the_job_under_way(shop: BenchOf, cards: list[dict[str, Any]]) -> None:
    theo = await shop.of(TECHNICIAN)
    for card in cards[:2]:
        assert (await upload(theo, card)).headers["location"] == "/jobs/1"
    other = await upload(theo, cards[2])
    assert other.headers["location"] == "/jobs/2"
    with shop.store.read() as reading:
        assert [one.sequence for one in reading.cards_of(reading.jobs_of(reading.job(1).damper_id)[0].damper_id)] == [
            2,
            1,
        ]
        assert len(reading.vehicles()) == 1
        assert len(reading.vehicle_keys()) == 1


async def test_a_tampered_card_is_refused_with_its_reason_and_nothing_is_kept(
    shop: BenchOf, cards: list[dict[str, Any]]
) -> None:
    mona = await shop.of(MANAGER)
    tampered = changed(cards[0], ("totals", "bottom_outs_count"), lambda value: value + 1)
    for card, line in (
        (tampered, "signature"),
        (signed_anew(cards[0], stranger()), "signed by key"),
        (b"{}", "card"),
        (b"\xff\xfe\x00", "UTF-8"),
        (b"[" * 5000, "deep"),
        (encode_file(cards[0])[:-200], "JSON"),
    ):
        answer = await upload(mona, card, f"{HOSTILE}.json")
        assert answer.status_code == 409
        text = text_of(answer.text)
        assert "This card was not taken in" in text
        assert line.lower() in text.lower(), text
        assert "<script>alert" not in answer.text
        assert "A manager may accept it" not in text
    assert len(shop.entries("card_refused")) == 6
    assert shop.entries("card_imported") == shop.entries("key_trusted") == shop.entries("damper_put") == ()
    with shop.store.read() as reading:
        assert reading.damper_count() == 0


async def test_an_older_card_is_refused(shop: BenchOf, cards: list[dict[str, Any]]) -> None:
    theo = await shop.of(TECHNICIAN)
    await upload(theo, cards[1])
    answer = await upload(theo, cards[0])
    assert answer.status_code == 409
    assert len(shop.entries("card_imported")) == 1


async def test_a_changed_key_is_accepted_by_a_manager_alone_with_a_reason(
    shop: BenchOf, yard: Yard, tmp_path: Path
) -> None:
    """A new logger got a new key; its owner says so on the telephone."""
    mona, theo = await shop.of(MANAGER), await shop.of(TECHNICIAN)
    folder = tmp_path / "vehicle"
    shutil.copytree(yard.folder, folder)
    moved = copy_of(yard, folder)
    await upload(theo, moved.issue("SN-2"))
    renew_key(folder, 0)
    card = moved.issue("SN-2")
    by_theo = await upload(theo, card)
    assert by_theo.status_code == 409
    assert "A manager of this bench may accept it" in by_theo.text
    assert 'action="/intake/accept"' not in by_theo.text
    page = (await upload(mona, card)).text
    key = re.search(r'name="key" value="([0-9a-f]{64})"', page)
    assert key is not None
    codes = re.findall(r'name="(accept_\w+)"', page)
    assert codes == ["accept_key_changed"]
    for fields in ({}, {codes[0]: "yes"}, {"why": "new logger"}, {"accept_rolled_back": "yes", "why": "no"}):
        answer = await mona.post("/intake/accept", key=key[1], **fields)
        assert answer.status_code in (400, 409), answer.text
    assert (await theo.post("/intake/accept", key=key[1], why="so", **{codes[0]: "yes"})).status_code == 403
    assert len(shop.entries("card_imported")) == 1
    done = await mona.post("/intake/accept", key=key[1], why="new logger, says Dee", **{codes[0]: "yes"})
    assert done.headers["location"] == "/jobs/1"
    text = text_of((await mona.get("/jobs/1")).text)
    assert "May be false:" in text
    assert "accepted by a manager: signed by key" in text
    assert "(Mona)" in text
    trusted = shop.entries("key_trusted")
    assert [one.data["how"] for one in trusted] == ["accepted", "withdrawn", "first sight"]
    assert trusted[0].data["why"] == "new logger, says Dee"
    assert shop.entries("card_imported")[0].data["accepted"] == ["key_changed"]
    assert "new logger, says Dee" in (await mona.get("/settings")).text
    assert (await mona.post("/intake/accept", key=key[1], why="x", **{codes[0]: "yes"})).status_code == 409


def copy_of(yard: Yard, folder: Path) -> Yard:
    """Return a yard of a copied folder."""
    made = object.__new__(Yard)
    made.folder = folder
    return made


async def test_a_refused_card_is_held_for_minutes_only(shop: BenchOf, yard: Yard, tmp_path: Path) -> None:
    mona = await shop.of(MANAGER)
    folder = tmp_path / "vehicle"
    shutil.copytree(yard.folder, folder)
    moved = copy_of(yard, folder)
    await upload(mona, moved.issue("SN-2"))
    renew_key(folder, 0)
    page = (await upload(mona, moved.issue("SN-2"))).text
    key = re.search(r'name="key" value="([0-9a-f]{64})"', page)
    assert key is not None
    shop.clock.advance(HELD_S + 1)
    late = await mona.post("/intake/accept", key=key[1], why="so", accept_key_changed="yes")
    assert (await mona.get(f"/intake/held/{key[1]}")).status_code == 404
    assert "waiting for a manager" not in (await mona.get("/intake")).text
    assert late.status_code == 409
    assert "isn&#39;t held any more" in late.text


async def test_a_damper_comes_in_by_the_code_of_its_card(
    shop: BenchOf, yard: Yard, cards: list[dict[str, Any]]
) -> None:
    """Unchecked until its vehicle's key is known; then a false one is refused."""
    theo = await shop.of(TECHNICIAN)
    kept = read_kept(yard.folder, cards[2]["damper"]["unit_id"])
    assert kept is not None
    answer = await theo.post("/intake/code", code=f"  {kept.summary}\n", joints="rod_end", reservoir="none")
    assert answer.headers["location"] == "/jobs/1"
    text = text_of((await theo.get("/jobs/1")).text)
    assert "by the short summary of its QR code" in text
    assert "not checked: this vehicle's key is unknown here" in text
    await upload(theo, cards[0])
    garbled = kept.summary[:-8] + "AAAAAAAA"
    for code in (garbled, "DC1:x.y", "hello", "", "DC2:abc.def", "DC1:" + "A" * 9000):
        refused = await theo.post("/intake/code", code=code)
        assert refused.status_code == 400, code
        assert 'role="alert"' in refused.text
    assert len(shop.entries("summary_seen")) == 1


async def test_a_damper_without_a_card_gets_a_tag_and_is_said_to_be_an_estimate(shop: BenchOf) -> None:
    theo = await shop.of(TECHNICIAN)
    answer = await theo.post("/intake/told", customer="Dee Example", vehicle="Old Red", dirt_mud="yes", **TOLD)
    assert answer.headers["location"] == "/jobs/1"
    page = text_of((await theo.get("/jobs/1")).text)
    assert "tag B1: hang it on the damper" in page
    assert "Estimate from what was told, not measured" in page
    assert "Old Red , Dee Example" in page
    told = shop.entries("job_opened")[0].data["statement"]
    assert told["distance_m"] == pytest.approx(12_000.5 * 1609.344, abs=1e-6)
    assert (told["years"], told["dirt"], told["tag"]) == (2.5, ["mud"], "B1")
    assert (await theo.post("/intake/told", **TOLD)).headers["location"] == "/jobs/2"
    with shop.store.read() as reading:
        assert [one.label for one in reading.open_jobs()] == ["B2", "B1"]


async def test_told_anew_before_anybody_worked_on_it_the_first_job_is_called_off(shop: BenchOf) -> None:
    theo = await shop.of(TECHNICIAN)
    fields = TOLD | {"serial": "ZZ-9"}
    await theo.post("/intake/told", **fields)
    assert (await theo.post("/intake/told", **fields | {"distance": "900"})).headers["location"] == "/jobs/2"
    with shop.store.read() as reading:
        assert [(one.job.job_id, one.label) for one in reading.open_jobs()] == [(2, "ZZ-9")]
        assert reading.job(1).stage == "called_off"
        assert reading.damper_count() == 1
    with shop.store.write(Who("Theo", TECHNICIAN)) as tx:
        tx.append("stage", {"stage": "quoted"}, job_id=2)
    refused = await theo.post("/intake/told", **fields)
    assert refused.status_code == 400
    assert "job 2 of ZZ-9 is under way" in text_of(refused.text)


async def test_a_card_that_comes_later_finds_the_damper_by_its_serial(
    shop: BenchOf, cards: list[dict[str, Any]]
) -> None:
    theo = await shop.of(TECHNICIAN)
    await theo.post("/intake/told", **TOLD | {"serial": "SN-1"})
    assert (await upload(theo, cards[0])).headers["location"] == "/jobs/1"
    page = text_of((await theo.get("/jobs/1")).text)
    assert "by its signed duty card" in page
    with shop.store.read() as reading:
        assert reading.damper_count() == 1
        assert reading.find_damper(serial="SN-1").unit_id == cards[0]["damper"]["unit_id"]


@pytest.mark.parametrize(
    ("fields", "words"),
    [
        ({"distance": "many"}, "distance: 'many' is no number"),
        ({"distance": "1e9"}, "is no number"),
        ({"distance": "-5"}, "is no number"),
        ({"distance": "999999999999"}, "distance"),
        ({"years": "200"}, "age"),
        ({"construction": "magic"}, "construction"),
        ({"construction": ""}, "construction"),
        ({"mix": "moon"}, "mix"),
        ({"joints": HOSTILE}, "joints"),
        ({"distance_unit": "parsec"}, "unit"),
        ({"last_service": "yesterday"}, "is no day"),
        ({"last_service": "2031-01-01"}, "after today"),
        ({"stroke": "90000"}, "stroke"),
        ({"serial": "x" * 300}, "serial"),
    ],
)
async def test_what_can_not_be_is_said_and_the_form_keeps_what_was_typed(
    shop: BenchOf, fields: dict[str, str], words: str
) -> None:
    theo = await shop.of(TECHNICIAN)
    answer = await theo.post("/intake/told", remarks="it knocks", **TOLD | fields)
    assert answer.status_code == 400
    assert words in text_of(answer.text)
    assert "it knocks</textarea>" in answer.text
    assert shop.entries("job_opened") == shop.entries("damper_put") == ()


async def test_hostile_names_are_shown_as_they_were_typed_and_do_nothing(shop: BenchOf) -> None:
    mona = await shop.of(MANAGER)
    short = HOSTILE[:78]
    told = TOLD | {"serial": HOSTILE[:40], "customer": short, "vehicle": short, "remarks": HOSTILE, "position": short}
    job = (await mona.post("/intake/told", **told)).headers["location"]
    with shop.store.read() as reading:
        customer, damper = reading.customers()[0].customer_id, reading.jobs_of(reading.job(1).damper_id)[0].damper_id
    for path in (job, "/", "/?q=script", f"/customers/{customer}", "/customers", f"/dampers/{damper}", "/settings/log"):
        answer = await mona.get(path)
        assert answer.status_code == 200, path
        assert "<script>alert" not in answer.text, path
        assert "&lt;script&gt;" in answer.text, path
        assert "62710561" not in answer.text, path


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
    folder = tmp_path / "vehicle"
    shutil.copytree(yard.folder, folder)
    moved = copy_of(yard, folder)
    await upload(theo, moved.issue("SN-2"))
    renew_key(folder, 0)
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
