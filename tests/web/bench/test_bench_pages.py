"""Intake on the bench's pages: by card, code or word, over a real store and real cards."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

import pytest

from bench.card_made import Yard, changed, signed_anew, stranger
from dutylog.bench.canonical import encode_file
from dutylog.bench.kept_card import read_kept
from dutylog.bench.roles import MANAGER, TECHNICIAN
from dutylog.bench.store.chain import Who
from dutylog.web.bench.held_cards import HELD_S
from web.bench.bench_parts import BenchOf, text_of
from web.bench.intake_parts import HOSTILE, TOLD, bring_then_renew, cards, upload

__all__ = ["cards"]
pytestmark = pytest.mark.anyio


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
    moved = await bring_then_renew(theo, yard, tmp_path / "vehicle")
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


async def test_a_refused_card_is_held_for_minutes_only(shop: BenchOf, yard: Yard, tmp_path: Path) -> None:
    mona = await shop.of(MANAGER)
    moved = await bring_then_renew(mona, yard, tmp_path / "vehicle")
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
