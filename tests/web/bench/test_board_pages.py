"""The due board, the text for an owner and the pages of parts, over a real store."""

from __future__ import annotations

import re
from datetime import date, timedelta
from typing import Any

import pytest

from dutylog.bench.roles import MANAGER, TECHNICIAN, VIEWER
from dutylog.bench.store.chain import Who
from dutylog.web.bench.board_routes import SHOWN_AT_FIRST, SHOWN_AT_ONCE
from dutylog.web.bench.parts_routes import CHANGES
from dutylog.web.bench.radio_listener import RadioState
from web.bench.bench_parts import BenchOf, Person, text_of

pytestmark = pytest.mark.anyio
TODAY = date(2026, 11, 30)
WHO = Who("Mona", MANAGER)
HOSTILE = "<script>alert(1)</script>\"'&{{ 7919 * 7919 }}"


def bring(
    shop: BenchOf, damper: str, rows: list[dict[str, Any]], owner: str = "Dee Example", basis: str = "card"
) -> None:
    """Bring in a damper with its owner and its forecasts."""
    with shop.store.write(WHO) as tx:
        key = owner.casefold()
        if tx.read.customer(f"c-{key}") is None:
            tx.append("customer_put", {"customer_id": f"c-{key}", "name": owner, "contact": "0123"})
            tx.append(
                "vehicle_put", {"vehicle_key": f"v-{key}", "label": f"{owner}'s truck", "customer_id": f"c-{key}"}
            )
        build = {"construction": "floating_piston", "reservoir": "hose", "joints": "rod_end", "profile_name": "desert"}
        tx.append("damper_put", {"serial": damper, "vehicle_key": f"v-{key}", "position": "rear_left", **build}, damper)
        tx.append("due_put", {"day": TODAY.isoformat(), "basis": basis, "rows": rows}, damper)


def due(part: str, *days: int, used: float | None = 0.5) -> dict[str, Any]:
    early, likely, late = ((TODAY + timedelta(one)).isoformat() for one in days)
    return {"part": part, "early": early, "likely": likely, "late": late, "order_by": early, "used_ratio": used}


async def put_part(person: Person, **changes: str) -> Any:
    told = {"part_no": "K-7", "name": "seal set", "need": "shaft_seal", "lead_days": "14", "least_count": "1"}
    return await person.post("/parts", **told | changes)


async def test_an_empty_bench_says_what_is_to_be_done(shop: BenchOf) -> None:
    vera = await shop.of(VIEWER)
    assert "No damper is known yet" in text_of((await vera.get("/board")).text)
    assert "The catalogue is empty" in text_of((await vera.get("/parts")).text)


async def test_the_board_shows_whose_what_when_and_on_what_it_rests(shop: BenchOf) -> None:
    bring(shop, "SN-1", [due("shaft_seal", 0, 0, 0, used=1.3), due("oil", 20, 40, 80)])
    bring(shop, "SN-2", [due("oil", 3, 8, 20)], "Ola Example", basis="stated")
    bring(shop, "SN-3", [due("oil", 10, 400, 800)], "Ola Example", basis="radio")
    bring(shop, "SN-4", [due("oil", 300, 400, 800)])
    page = text_of((await (await shop.of(VIEWER)).get("/board")).text)
    assert "2 of 4 known dampers likely due until 2027-02-28; 1 more may be, but likely later." in page
    assert "Now 1 damper SN-1 Dee Example · Dee Example's truck · rear left" in page
    assert "shaft seal and wiper over 130 % used; its budget is used up" in page
    assert "damper oil plan it 50 % used; likely 2027-01-09 ( 2026-12-20 to 2027-02-18 ) ; parts by 2026-12-20" in page
    assert "2026-12-07 to 2026-12-13 1 damper SN-2 estimate" in page
    assert "Possible until 2027-02-28, likely later 1 damper SN-3 with radio, unsigned" in page
    assert "SN-4" not in page


async def test_filters_and_what_is_no_filter(shop: BenchOf) -> None:
    bring(shop, "SN-1", [due("shaft_seal", 0, 0, 0, used=1.3)])
    bring(shop, "SN-2", [due("oil", 300, 330, 360)], "Ola Example")
    vera = await shop.of(VIEWER)

    async def labels(query: str) -> list[str]:
        answer = await vera.get(f"/board?{query}")
        assert answer.status_code == 200, answer.text
        return re.findall(r'board-name"[^>]*>([^<]+)<', answer.text)

    assert await labels("") == ["SN-1"]
    assert await labels("weeks=52") == ["SN-1", "SN-2"]
    assert await labels("weeks=52&q=ola") == ["SN-2"]
    assert await labels("weeks=52&state=over") == ["SN-1"]
    assert await labels("weeks=52&part=oil") == ["SN-2"]
    assert await labels("weeks=52&customer=c-dee+example") == ["SN-1"]
    for strange in (
        "weeks=-1",
        "weeks=0",
        "weeks=9e9",
        "weeks=%00",
        "state=x",
        "part=../etc",
        "group=x&from=99999999999",
        "from=1",
    ):
        assert set(await labels(strange)) <= {"SN-1"}, strange
    page = (await vera.get("/board", params={"q": HOSTILE})).text
    assert "<script>alert" not in page
    assert "62710561" not in page


async def test_a_full_week_is_shown_in_pieces(shop: BenchOf) -> None:
    """Ten thousand dampers would make a page that no tablet opens."""
    for number in range(SHOWN_AT_ONCE + 5):
        bring(shop, f"SN-{number:03d}", [due("oil", 3, 8, 20)])
    vera = await shop.of(VIEWER)
    page = (await vera.get("/board")).text
    assert page.count('class="board-head"') == SHOWN_AT_FIRST
    more = re.findall(r'href="(/board\?[^"]*group=[^"]*)"', page)[0].replace("&amp;", "&")
    week = (await vera.get(more)).text
    assert week.count('class="board-head"') == SHOWN_AT_ONCE
    rest = re.findall(r'href="(/board\?[^"]*from=[^"]*)"', week)[0].replace("&amp;", "&")
    assert (await vera.get(rest)).text.count('class="board-head"') == 5


async def test_the_text_for_an_owner_tells_of_all_dampers_of_the_vehicle(shop: BenchOf) -> None:
    bring(shop, "SN-1", [due("shaft_seal", 20, 40, 80)], HOSTILE)
    bring(shop, "SN-2", [due("oil", 20, 40, 80)], HOSTILE)
    bring(shop, "SN-3", [due("oil", 300, 400, 800)], "Ola Example")
    vera = await shop.of(VIEWER)
    page = (await vera.get("/board/owner/SN-1")).text
    assert "Damper SN-1, rear left:" in page
    assert "Damper SN-2, rear left:" in page
    assert "<script>alert" not in page
    assert "there is nothing to write" in text_of((await vera.get("/board/owner/SN-3")).text)
    assert (await vera.get("/board/owner/nobody")).status_code == 404
    assert (await vera.get(f"/board/owner/{'x' * 500}")).status_code == 404


async def test_how_listening_goes_stands_on_the_board(shop: BenchOf) -> None:
    vera = await shop.of(VIEWER)
    assert "Duty by radio" not in (await vera.get("/board")).text, "no broker is named"
    shop.app.state.radio = lambda: RadioState(True, "", 2, 17, 1, 4)
    page = text_of((await vera.get("/board")).text)
    assert "listening to 2 vehicles whose owner agreed; 17 messages heard since the start, 4 kept, 1 refused" in page
    shop.app.state.radio = lambda: RadioState(False, "broker x is out of reach")
    assert "broker x is out of reach" in text_of((await vera.get("/board")).text)


async def test_a_part_is_written_down_stocked_and_ordered_in_time(shop: BenchOf) -> None:
    """From the catalogue to `order by`, with every change an entry of whoever made it."""
    for number in range(4):
        bring(shop, f"SN-{number}", [due("shaft_seal", 20, 40, 80)])
    theo = await shop.of(TECHNICIAN)
    page = text_of((await theo.get("/parts")).text)
    assert "shaft seal and wiper 4.0 sets until 2027-02-28, for 4 dampers that may be due" in page
    assert 'value="shaft_seal" selected' in (await theo.get("/parts?need=shaft_seal")).text
    assert (await put_part(theo)).headers["location"] == "/parts/K-7"
    answer = await theo.post("/parts/K-7/stock", number="2", way="delivered", note="box of spring")
    assert answer.headers["location"] == "/parts/K-7"
    page = text_of((await theo.get("/parts/K-7")).text)
    # One of four is gone when each is due with a chance of a quarter: 3/8 of the way from day 20 to 40, so on the 28th
    # day, and two weeks earlier it has to be ordered. All four until the end and one to keep, less two: three.
    assert "Order by 2026-12-14: 3; from 2026-12-28 on fewer than 1 are likely left." in page
    assert "+2 delivered: box of spring" in page
    assert "order by 2026-12-14" in text_of((await theo.get("/parts")).text)
    await theo.post("/parts/K-7/stock", number="10", way="counted", note="")
    page = text_of((await theo.get("/parts")).text)
    assert "Enough of it there seal set K-7 10 there" in page
    assert [(one.data["change"], one.data["why"], one.who) for one in shop.entries("stock_change")] == [
        (8, "counted", "Theo"),
        (2, "delivered: box of spring", "Theo"),
    ]


async def test_prices_are_a_managers(shop: BenchOf) -> None:
    theo, mona = await shop.of(TECHNICIAN), await shop.of(MANAGER)
    await put_part(theo, price="45")
    assert shop.entries("part_put")[0].data["price_minor"] is None
    await put_part(mona, is_known="yes", price="45.50")
    assert shop.entries("part_put")[0].data["price_minor"] == 4550
    await put_part(theo, is_known="yes", price="1", name="other name")
    assert (shop.entries("part_put")[0].data["price_minor"], shop.entries("part_put")[0].data["name"]) == (
        4550,
        "other name",
    )


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"part_no": ""}, "letters, digits"),
        ({"part_no": "../x"}, "letters, digits"),
        ({"part_no": "x" * 41}, "letters, digits"),
        ({"name": ""}, "name"),
        ({"name": "x" * 81}, "at most 80"),
        ({"need": "magic"}, "no need"),
        ({"profile_name": "nobody's"}, "no damper here has it"),
        ({"lead_days": "-1"}, "lead time in days"),
        ({"lead_days": "366"}, "0 to 365"),
        ({"lead_days": "2.5"}, "whole number"),
        ({"least_count": "99999999999"}, "whole number"),
        ({"least_count": "²"}, "whole number"),
        ({"price": "free"}, "price"),
    ],
)
async def test_what_cannot_be_a_part_is_said_beside_the_form(
    shop: BenchOf, changes: dict[str, str], words: str
) -> None:
    """What was typed stays there, and nothing is written."""
    mona = await shop.of(MANAGER)
    answer = await put_part(mona, **changes)
    assert answer.status_code == 400
    assert words in text_of(answer.text)
    assert shop.entries("part_put") == ()


async def test_stock_is_never_changed_by_what_makes_no_sense(shop: BenchOf) -> None:
    theo = await shop.of(TECHNICIAN)
    await put_part(theo)
    long = {"number": "1", "way": "delivered", "note": "x" * 300}
    strange = [("1", "taken"), ("0", "delivered"), ("0", "counted"), ("x", "delivered"), ("1", "stolen"), ("1", "")]
    for told in (long, *({"number": number, "way": way} for number, way in strange)):
        answer = await theo.post("/parts/K-7/stock", **told)
        assert answer.status_code == 400, told
    assert shop.entries("stock_change") == ()
    assert (await theo.post("/parts/nothing/stock", number="1", way="delivered")).status_code == 404
    again = await put_part(theo)
    assert "is in the catalogue already" in text_of(again.text)
    assert set(CHANGES) == {"delivered", "taken", "counted"}


async def test_a_part_that_is_gone_is_listed_no_more_and_may_come_back(shop: BenchOf) -> None:
    theo = await shop.of(TECHNICIAN)
    await put_part(theo)
    assert (await put_part(theo, is_known="yes", is_gone="yes")).headers["location"] == "/parts"
    assert "K-7" not in (await theo.get("/parts")).text.split("<main")[1].split("</main>")[0].replace(
        "K-7 is written", ""
    )
    assert "taken out of the catalogue" in text_of((await theo.get("/parts/K-7")).text)
    await put_part(theo)
    assert "K-7" in (await theo.get("/parts")).text
