"""Forms that come twice, forms whose session ended, and what a page says afterwards."""

from __future__ import annotations

import asyncio
import re

import pytest

from dutylog.bench.roles import MANAGER, TECHNICIAN, VIEWER
from dutylog.bench.store.chain import Who
from dutylog.web.access_sessions import IDLE_S
from dutylog.web.bench.accounts import set_account
from dutylog.web.bench.send_again import GONE_TEXT
from dutylog.web.bench.sent_once import MOST_KEPT, SentOnce
from web.access_parts import CODE
from web.bench.bench_parts import BASE, NAMES, OTHER_CODE, BenchOf, Person, csrf_in, text_of

pytestmark = pytest.mark.anyio
HOSTILE = "<script>alert(1)</script>\"'&\n{{ 7919 * 7919 }}"


def hidden_in(page: str, name: str) -> str:
    """Return the value of a hidden field as a browser would send it."""
    found = re.search(rf'<input type="hidden" name="{name}" value="([^"]*)"', page)
    assert found, page[-1500:]
    return re.sub(
        r"&(#34|#39|lt|gt|amp);",
        lambda one: {"#34": '"', "#39": "'", "lt": "<", "gt": ">", "amp": "&"}[one[1]],
        found[1],
    )


def marks_in(page: str) -> list[str]:
    """Return the marks of a page's forms."""
    return re.findall(r'name="csrf" value="[^"]+"><input type="hidden" name="once" value="([^"]+)"', page)


async def with_part(shop: BenchOf) -> Person:
    """Return a technician of a bench with a part in its catalogue."""
    theo = await shop.of(TECHNICIAN)
    assert (await theo.post("/parts", part_no="A-1", name="Seal")).status_code == 303
    return theo


async def test_every_form_of_a_page_has_a_mark_of_its_own(shop: BenchOf) -> None:
    theo = await with_part(shop)
    for path in ("/intake", "/parts", "/parts/A-1", "/customers", "/settings"):
        page = (await theo.get(path)).text
        marks = marks_in(page)
        assert len(marks) == page.count('name="csrf" value=') >= 2
        assert len(set(marks)) == len(marks)
        assert not set(marks) & set(marks_in((await theo.get(path)).text))


async def test_a_form_that_comes_twice_counts_once_and_says_so(shop: BenchOf) -> None:
    """A second tap on a slow line: the browser shows the second answer."""
    theo = await with_part(shop)
    mark = marks_in((await theo.get("/parts/A-1")).text)[0]
    change = {"number": "5", "way": "delivered", "note": "", "once": mark}
    first = await theo.post("/parts/A-1/stock", **change)
    again = await theo.post("/parts/A-1/stock", **change)
    assert (first.status_code, first.headers["location"]) == (again.status_code, again.headers["location"])
    assert "5 of A-1 are there (sent twice, done once)" in text_of((await theo.get("/parts/A-1")).text)
    assert [one.data["change"] for one in shop.entries("stock_change")] == [5]
    assert (await theo.post("/parts/A-1/stock", **change | {"number": "6"})).status_code == 303, "filled in otherwise"
    assert (await theo.post("/parts/A-1/stock", **change | {"once": "another"})).status_code == 303, "a new page"
    assert [one.data["change"] for one in shop.entries("stock_change")] == [5, 6, 5]


async def test_two_taps_at_the_same_time_count_once(shop: BenchOf) -> None:
    theo = await shop.of(TECHNICIAN)
    told = {"construction": "emulsion", "reservoir": "none", "joints": "bushing", "once": "m-1"}
    answers = await asyncio.gather(*(theo.post("/intake/told", **told) for _ in range(4)))
    assert {one.headers["location"] for one in answers} == {"/jobs/1"}
    assert len(shop.entries("job_opened")) == len(shop.entries("damper_put")) == 1


async def test_what_was_refused_may_be_sent_again_and_another_person_is_another_one(shop: BenchOf) -> None:
    theo, mona = await with_part(shop), await shop.of(MANAGER)
    taken = {"number": "2", "way": "taken", "once": "m-1"}
    assert (await theo.post("/parts/A-1/stock", **taken)).status_code == 400
    assert (await mona.post("/parts/A-1/stock", number="9", way="delivered", once="m-1")).status_code == 303
    assert (await theo.post("/parts/A-1/stock", **taken)).status_code == 303
    assert (await mona.post("/parts/A-1/stock", **taken)).status_code == 303
    assert [one.data["change"] for one in shop.entries("stock_change")] == [-2, -2, 9]


async def test_marks_are_forgotten_in_time_and_after_a_failure() -> None:
    once, done = SentOnce(), []

    async def work() -> str:
        done.append(1)
        return "done"

    async def fails() -> str:
        raise RuntimeError

    with pytest.raises(RuntimeError):
        await once.run(b"a", fails, bool)
    assert await once.run(b"a", work, bool) == ("done", False)
    assert await once.run(b"a", work, bool) == ("done", True)
    for number in range(MOST_KEPT):
        await once.run(number.to_bytes(2, "big"), work, bool)
    assert await once.run(b"a", work, bool) == ("done", False)


async def test_what_was_done_is_said_on_the_page_it_led_to(shop: BenchOf) -> None:
    """Two tabs: the message isn't for whichever loads next."""
    theo = await with_part(shop)
    await theo.post("/parts/A-1/stock", number="5", way="delivered")
    assert "5 of A-1" not in (await theo.get("/customers")).text
    await theo.post("/customers", name="Dee Example")
    assert "Dee Example is written down" not in (await theo.get("/parts/A-1")).text.replace("5 of A-1 are there", "")
    assert "5 of A-1" not in (await theo.get("/parts/A-1")).text, "once"
    with shop.store.read() as reading:
        key = reading.customers()[0].customer_id
    assert "Dee Example is written down" in (await theo.get(f"/customers/{key}")).text


async def test_a_form_after_the_end_of_its_session_is_shown_after_signing_in_and_sent_when_asked(shop: BenchOf) -> None:
    theo = await shop.of(TECHNICIAN)
    shop.clock.advance(IDLE_S + 1)
    headers = {"Referer": f"{BASE}/customers?x=1", "Origin": BASE}
    fields = {"csrf": theo.csrf, "once": "m", "name": "Dee Example", "note": HOSTILE}
    asked = await theo.client.post("/customers", data=fields, headers=headers)
    assert asked.status_code == 401
    assert 'action="/sign-in"' in asked.text
    assert hidden_in(asked.text, "next") == "/customers?x=1"
    assert theo.csrf not in asked.text
    assert shop.entries("customer_put") == ()
    sent = hidden_in(asked.text, "sent")
    wrong = await shop.client().post("/sign-in", data={"name": "Theo", "password": "not it", "sent": sent})
    assert hidden_in(wrong.text, "sent") == sent
    client = shop.client()
    shown = await client.post("/sign-in", data={"name": "Theo", "password": CODE, "sent": sent, "next": "/customers"})
    assert shown.status_code == 200
    assert "<script>alert" not in shown.text
    assert "62710561" not in shown.text
    assert shop.entries("customer_put") == ()
    assert 'method="post" action="/customers"' in shown.text
    again = {name: hidden_in(shown.text, name) for name in ("csrf", "once", "name", "note")}
    assert again["note"].replace("\r\n", "\n") == HOSTILE
    done = await client.post("/customers", data=again)
    assert done.status_code == 303
    assert [one.data["name"] for one in shop.entries("customer_put")] == ["Dee Example"]


async def test_an_account_closed_meanwhile_keeps_the_form_too_and_files_are_told(shop: BenchOf) -> None:
    """The session is there, but nobody's; a file doesn't go along."""
    theo = await shop.of(TECHNICIAN)
    set_account(shop.store, Who("keyboard", MANAGER), "Theo", TECHNICIAN, is_closed=True)
    asked = await theo.post("/intake/card", files={"card": ("a.json", b"{}")}, x="kept")
    assert asked.status_code == 401
    signs = {"name": NAMES[MANAGER], "password": CODE, "sent": hidden_in(asked.text, "sent")}
    shown = await shop.client().post("/sign-in", data=signs)
    assert "Files can't come along (card)" in text_of(shown.text)
    assert ">kept<" in shown.text
    assert "in the name of Mona" in text_of(shown.text)
    assert shop.entries("card_refused") == ()


async def test_passwords_and_what_is_too_long_do_not_go_along(shop: BenchOf) -> None:
    client = shop.client()
    new = {"old": CODE, "password": OTHER_CODE, "again": OTHER_CODE}
    for path, fields in (
        ("/settings/password", new),
        ("/settings/accounts", {"name": "Zoe", "password": OTHER_CODE}),
        ("/customers", {"name": "x", "note": "a" * 140_000}),
        ("/nothing/here", {"name": "x"}),
        ("/sign-out", {}),
    ):
        asked = await client.post(path, data=fields)
        assert asked.status_code in (401, 405), path
        assert 'name="sent"' not in asked.text, path
        assert OTHER_CODE not in asked.text
        if asked.status_code == 401:
            assert GONE_TEXT in asked.text
    script = await client.post("/customers", json={"name": "x"}, headers={"X-CSRF": "x"})
    assert script.json()["error"] == "sign in first, at /sign-in"


@pytest.mark.parametrize(
    "sent",
    [
        "", "x", "[]", "{}", '{"path": 1}', '{"path": "/sign-out", "fields": {}, "files": []}', "[" * 9000,
        '{"path": "//evil.example/customers", "fields": {}, "files": []}',
        '{"path": "/customers", "fields": {"name": 5}, "files": []}',
        '{"path": "/customers", "fields": {"password": "x"}, "files": []}',
        '{"path": "https://evil.example/customers", "fields": {"a": "b"}, "files": []}',
    ],
)  # fmt: skip
async def test_only_what_is_ours_is_shown_after_signing_in(shop: BenchOf, sent: str) -> None:
    answer = await shop.client().post("/sign-in", data={"name": "Theo", "password": CODE, "sent": sent})
    assert (answer.status_code, answer.headers["location"]) == (303, "/")


async def test_a_page_from_before_signing_in_again_is_asked_about(shop: BenchOf) -> None:
    theo, mona = await shop.of(TECHNICIAN), await shop.of(MANAGER)
    old = {"csrf": mona.csrf, "name": "Dee Example"}
    asked = await theo.client.post("/customers", data=old, headers={"Origin": BASE})
    assert asked.status_code == 403
    assert hidden_in(asked.text, "csrf") == theo.csrf
    assert mona.csrf not in asked.text
    unsure = await theo.client.post("/customers", data=old)
    assert unsure.status_code == 403
    assert "Dee Example" not in unsure.text, "nobody knows where it comes from"
    assert shop.entries("customer_put") == ()


async def test_less_may_be_sent_by_whoever_signs_in_instead(shop: BenchOf) -> None:
    """What somebody of another role sent is theirs to send only where they may."""
    asked = await shop.client().post("/customers", data={"name": "Dee Example"})
    client = shop.client()
    signs = {"name": NAMES[VIEWER], "password": CODE, "sent": hidden_in(asked.text, "sent")}
    shown = await client.post("/sign-in", data=signs)
    refused = await client.post("/customers", data={"csrf": csrf_in(shown.text), "name": "Dee Example"})
    assert refused.status_code == 403
