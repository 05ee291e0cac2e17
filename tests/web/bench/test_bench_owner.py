"""Whose a damper is: what changes with another name, another customer, a damper sold alone. Names are invented."""

from __future__ import annotations

import re
from typing import Any

import pytest

from bench.card_made import Yard
from dutylog.bench.canonical import encode_file
from dutylog.bench.owning import NEW_PERSON
from dutylog.bench.roles import TECHNICIAN
from web.bench.bench_parts import BenchOf, Person, text_of

pytestmark = pytest.mark.anyio
TOLD = {"construction": "emulsion", "reservoir": "none", "joints": "bushing"}


@pytest.fixture(scope="module")
def cards(yard: Yard) -> list[bytes]:
    """Give cards of two dampers of one vehicle."""
    return [encode_file(yard.issue("SN-1")), encode_file(yard.issue("SN-2"))]


async def two_of_dees(shop: BenchOf, cards: list[bytes]) -> Person:
    """Return a technician; two dampers on Dee's vehicle Old Red, who agreed to radio."""
    theo = await shop.of(TECHNICIAN)
    for card in cards:
        assert (await theo.post("/intake/card", files={"card": ("a.card.json", card)})).status_code == 303
    told = {"customer": "Dee Example", "vehicle": "Old Red", "is_renamed": "yes"}
    assert (await theo.post("/jobs/1/owner", **told)).status_code == 303
    vehicle = vehicles(shop)["Old Red"]
    given = {"vehicle_key": vehicle.vehicle_key, "customer_id": vehicle.customer_id, "label": "Old Red"}
    assert (await theo.post("/vehicles", radio_agreed_by="Dee", **given)).status_code == 303
    return theo


def vehicles(shop: BenchOf) -> dict[str, Any]:
    with shop.store.read() as reading:
        return {one.label: one for one in reading.vehicles()}


def places(shop: BenchOf) -> dict[str, tuple[str, str | None]]:
    """Return vehicle and customer of each damper by its label."""
    with shop.store.read() as reading:
        names = {one.customer_id: one.name for one in reading.customers()}
        labels = {one.vehicle_key: (one.label, names.get(one.customer_id)) for one in reading.vehicles()}
        found = [reading.damper(one.job.damper_id) for one in reading.open_jobs()]
    return {one.label: labels[one.vehicle_key] for one in found}


async def test_another_customer_gets_the_vehicle_with_all_its_dampers_and_no_consent(
    shop: BenchOf, cards: list[bytes]
) -> None:
    theo = await two_of_dees(shop, cards)
    page = text_of((await theo.get("/jobs/1")).text)
    assert "changes the vehicle and all its 2 dampers; duty by radio must be agreed anew" in page
    before = vehicles(shop)["Old Red"]
    assert before.radio_agreed_by == "Dee"
    assert (await theo.post("/jobs/1/owner", customer="Bo Example", vehicle="Old Red")).status_code == 303
    after = vehicles(shop)["Old Red"]
    assert (after.vehicle_key, after.ledger_id) == (before.vehicle_key, before.ledger_id)
    assert after.radio_agreed_by is after.radio_agreed_utc is None
    assert places(shop) == {"SN-1": ("Old Red", "Bo Example"), "SN-2": ("Old Red", "Bo Example")}
    said = text_of((await theo.get("/jobs/1")).text)
    assert "Old Red and all its 2 dampers; duty by radio ended" in said


async def test_the_same_owner_again_keeps_the_consent(shop: BenchOf, cards: list[bytes]) -> None:
    theo = await two_of_dees(shop, cards)
    count = len(shop.entries("vehicle_put"))
    assert (await theo.post("/jobs/1/owner", customer="dee example", vehicle="Old Red")).status_code == 303
    assert len(shop.entries("vehicle_put")) == count
    assert (await theo.post("/jobs/1/owner", vehicle="Older Red", is_renamed="yes")).status_code == 303
    assert vehicles(shop)["Older Red"].radio_agreed_by == "Dee"


async def test_another_name_is_another_vehicle_and_the_damper_alone_goes_there(
    shop: BenchOf, cards: list[bytes]
) -> None:
    theo = await two_of_dees(shop, cards)
    assert (await theo.post("/jobs/1/owner", customer="Dee Example", vehicle="Blue")).status_code == 303
    assert places(shop) == {"SN-1": ("Blue", "Dee Example"), "SN-2": ("Old Red", "Dee Example")}
    assert vehicles(shop)["Old Red"].radio_agreed_by == "Dee"
    assert vehicles(shop)["Blue"].radio_agreed_by is None
    assert (await theo.post("/jobs/2/owner", vehicle="BLUE")).status_code == 303
    assert places(shop)["SN-2"] == ("Blue", "Dee Example"), "found by its name"


async def test_a_damper_that_was_sold_alone_leaves_its_vehicle_as_it_is(shop: BenchOf, cards: list[bytes]) -> None:
    theo = await two_of_dees(shop, cards)
    told = {"customer": "Bo Example", "vehicle": "Old Red", "is_alone": "yes"}
    assert (await theo.post("/jobs/1/owner", **told)).status_code == 303
    assert places(shop) == {"SN-1": ("vehicle of Bo Example", "Bo Example"), "SN-2": ("Old Red", "Dee Example")}
    assert vehicles(shop)["Old Red"].radio_agreed_by == "Dee"
    refused = await theo.post("/jobs/2/owner", customer="Dee Example", vehicle="Old Red", is_alone="yes")
    assert refused.status_code == 400
    assert "give its new owner, or another vehicle" in text_of(refused.text)
    assert 'name="is_alone" value="yes" checked' in refused.text


async def test_people_of_one_name_are_not_made_one_without_a_word(shop: BenchOf) -> None:
    theo = await shop.of(TECHNICIAN)
    await theo.post("/customers", name="Dee Example", contact="555 0100")
    told = TOLD | {"customer": "DEE EXAMPLE", "vehicle": "Blue", "remarks": "it knocks"}
    asked = await theo.post("/intake/told", **told)
    assert asked.status_code == 400
    assert "choose whether it is the same person" in text_of(asked.text)
    assert "555 0100" in asked.text
    assert "it knocks</textarea>" in asked.text
    assert shop.entries("job_opened") == shop.entries("damper_put") == shop.entries("due_put") == ()
    assert (await theo.post("/intake/told", customer_is=NEW_PERSON, **told)).headers["location"] == "/jobs/1"
    with shop.store.read() as reading:
        first, second = sorted(reading.customers(), key=lambda one: one.contact or "")[::-1]
    assert first.contact == "555 0100"
    asked = await theo.post("/intake/told", **told)
    assert asked.text.count('name="customer_is"') == 3
    assert (await theo.post("/intake/told", customer_is=first.customer_id, **told)).headers["location"] == "/jobs/2"
    owners = {(one.label, one.customer_id) for one in shop.store.read().vehicles()}
    assert owners == {("Blue", second.customer_id), ("Blue", first.customer_id)}
    assert (await theo.post("/intake/told", customer_is="nobody", **told)).status_code == 400


@pytest.mark.parametrize("name", ["a\u202eb", "a\u200bb", "a\x00b", "a\nb", "x" * 81, "\u2066"])
@pytest.mark.parametrize("field", ["customer", "vehicle"])
async def test_names_that_are_none_are_refused_and_nothing_is_kept(shop: BenchOf, name: str, field: str) -> None:
    """Damper and owner are kept in one step: no job without them is left behind."""
    theo = await shop.of(TECHNICIAN)
    before = len(shop.entries())
    refused = await theo.post("/intake/told", **TOLD | {field: name})
    assert refused.status_code == 400
    assert re.search(f"{field}( name|_name)?: ", text_of(refused.text)), text_of(refused.text)[-900:]
    assert len(shop.entries()) == before
    assert (await theo.post("/intake/told", **TOLD)).status_code == 303
    before = len(shop.entries())
    refused = await theo.post("/jobs/1/owner", **{field: name})
    assert refused.status_code == 400
    assert f"{field}:" in text_of(refused.text)
    assert len(shop.entries()) == before


async def test_a_vehicle_given_to_somebody_else_takes_no_consent_along(shop: BenchOf, cards: list[bytes]) -> None:
    theo = await two_of_dees(shop, cards)
    await theo.post("/customers", name="Bo Example")
    with shop.store.read() as reading:
        bo = next(one.customer_id for one in reading.customers() if one.name == "Bo Example")
    key = vehicles(shop)["Old Red"].vehicle_key
    await theo.post("/vehicles", vehicle_key=key, customer_id=bo, label="Old Red", radio_agreed_by="Dee")
    assert vehicles(shop)["Old Red"].radio_agreed_by is None
    await theo.post("/vehicles", vehicle_key=key, customer_id=bo, label="Old Red", radio_agreed_by="Bo")
    assert vehicles(shop)["Old Red"].radio_agreed_by == "Bo"


async def test_forms_outside_of_jobs_keep_what_was_typed(shop: BenchOf, cards: list[bytes]) -> None:
    theo = await two_of_dees(shop, cards)
    bad = "a\u202eb"
    vehicle = vehicles(shop)["Old Red"]
    given = {"vehicle_key": vehicle.vehicle_key, "customer_id": vehicle.customer_id}
    for path, fields, kept in (
        ("/customers", {"name": bad, "note": "two keys hang by the door"}, "two keys hang by the door</textarea>"),
        ("/customers", {"customer_id": vehicle.customer_id, "name": bad, "contact": "555 0199"}, 'value="555 0199"'),
        ("/vehicles", {**given, "label": bad, "radio_agreed_by": "Dee and Bo"}, 'value="Dee and Bo"'),
        ("/jobs/1/owner", {"customer": bad, "vehicle": "Blue one"}, 'value="Blue one"'),
        ("/intake/code", {"code": "DC1:x", "joints": "bushing"}, '<option value="bushing" selected>'),
        ("/intake/code", {"code": "DC1:x", "reservoir": "hose"}, '<option value="hose" selected>'),
    ):
        answer = await theo.post(path, **fields)
        assert answer.status_code == 400, path
        assert 'role="alert"' in answer.text, path
        assert kept in answer.text, path
    await theo.post("/parts", part_no="A-1", name="Seal")
    stock = await theo.post("/parts/A-1/stock", number="9", way="taken", note="for job 1")
    assert stock.status_code == 400
    assert 'value="for job 1"' in stock.text
    assert '<option value="taken" selected>' in stock.text


async def test_nothing_of_its_build_is_chosen_for_anybody(shop: BenchOf) -> None:
    theo = await shop.of(TECHNICIAN)
    page = (await theo.get("/intake")).text
    for name in TOLD:
        assert f'<select id="{name}" name="{name}" required><option value="">choose</option>' in page
        refused = await theo.post("/intake/told", **TOLD | {name: ""})
        assert refused.status_code == 400
        assert f"{name}: choose" in text_of(refused.text)
    assert shop.entries("job_opened") == ()
