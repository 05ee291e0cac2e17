"""A service record taken in on the card's page: the real form, the real command, and who may."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

import pytest

from bench.card_made import Yard
from bench.jobs_made import CURVE, built_job
from bench.test_record import REVALVED, place, record_of
from dutylog.bench.canonical import encode_file
from dutylog.bench.keys import key_words
from dutylog.bench.record_make import Bench
from dutylog.ledger.ledger import LEDGER_NAME, Ledger
from web.test_card_page import PATH, Pages

pytestmark = pytest.mark.anyio
TAKE = "/dampers/SN-1/record"
OTHER_BENCH = Bench("6b1f2c3e-0000-4000-8000-000000000002", "Dune Bench")


@pytest.fixture
def yard(tmp_path: Path) -> Yard:
    return Yard(tmp_path)


@pytest.fixture
def pages(yard: Yard) -> Pages:
    return Pages(yard.folder)


def unit_id(folder: Path, label: str = "SN-1") -> str:
    with Ledger.open(folder / LEDGER_NAME, read_only=True) as ledger:
        return ledger.find_unit(label).unit_id


def taken(folder: Path) -> list[str]:
    with Ledger.open(folder / LEDGER_NAME, read_only=True) as ledger:
        return [one.data for one in ledger.entries_of("service_record")]


def upload(data: bytes) -> dict[str, Any]:
    return {"file": ("SN-1.service.json", data, "application/json")}


async def test_the_form_takes_a_record_in_under_the_sessions_name(pages: Pages) -> None:
    """The file goes through the same checks as in a terminal, and leaves nothing behind."""
    record = encode_file(record_of(unit_id=unit_id(pages.folder)))
    async with pages.signed_in("--Zoë") as (client, csrf):
        page = (await client.get(PATH)).text
        assert f'action="/dampers/{unit_id(pages.folder)}/record" enctype="multipart/form-data"' in page
        answer = await client.post(TAKE, data={"csrf": csrf}, files=upload(record))
        assert answer.status_code == 200, answer.text
        life = f"/dampers/{unit_id(pages.folder)}/life"
        assert f'href="{life}"' in answer.text
        assert (await client.get(life)).status_code == 200
        again = await client.post(TAKE, data={"csrf": csrf}, files=upload(record))
        assert (again.status_code, "taken already" in again.text) == (409, True)
    (data,) = taken(pages.folder)
    assert '"taken_by":"--Zoë"' in data


async def test_the_page_says_all_that_the_command_says(pages: Pages) -> None:
    """Whose key is trusted from now on, which record is missing, what to write into the file: all of it."""
    made = record_of(built_job(REVALVED, CURVE), place(3, "a" * 64), unit_id=unit_id(pages.folder))
    async with pages.signed_in() as (client, csrf):
        page = (await client.post(TAKE, data={"csrf": csrf}, files=upload(encode_file(made)))).text
        other = record_of(at=place(1, "b" * 64), unit_id=unit_id(pages.folder, "SN-2"), bench=OTHER_BENCH)
        to = {"files": upload(encode_file(other)), "data": {"csrf": csrf}, "headers": {"Accept": "application/json"}}
        told = (await client.post("/dampers/SN-2/record", **to)).json()["text"]
    assert "record 3 of Dune Bench taken for damper SN-1" in page
    words = key_words(made["signature"]["key_id"])
    assert f'<li class="notice" dir="auto">the first record of Dune Bench here; its key {words} is trusted' in page
    assert "records of Dune Bench before 3 were never taken here" in page
    assert "[profile.desert_2]" in page
    assert "[-1.0, -3000.0]" in page[page.index("<pre") : page.index("</pre>")]
    assert "another bench called Dune Bench sent records before" in told


async def test_a_record_out_of_its_turn_is_taken_by_the_digits_that_refused_it(pages: Pages) -> None:
    """The form has a field for them."""
    ids, anew = unit_id(pages.folder), place(1, day="2026-10-31", job=2)
    async with pages.signed_in() as (client, csrf):
        await client.post(TAKE, data={"csrf": csrf}, files=upload(encode_file(record_of(unit_id=ids))))
        files = upload(encode_file(record_of(at=anew, unit_id=ids)))
        refused = await client.post(TAKE, data={"csrf": csrf}, files=files)
        found = re.search(r"--accept-record ([0-9a-f]{16})", refused.text)
        assert found is not None
        assert 'name="accept_record"' in (await client.get(PATH)).text
        answer = await client.post(TAKE, data={"csrf": csrf, "accept_record": found[1]}, files=files)
    assert (refused.status_code, answer.status_code) == (409, 200)
    assert len(taken(pages.folder)) == 2


async def test_a_record_of_another_damper_is_refused_on_this_page(pages: Pages) -> None:
    """Whoever stands on the page of one damper doesn't give another one new seals."""
    record = encode_file(record_of(unit_id=unit_id(pages.folder, "SN-2")))
    async with pages.signed_in() as (client, csrf):
        answer = await client.post(TAKE, data={"csrf": csrf}, files=upload(record))
    assert answer.status_code == 409
    assert "it is about damper SN-2, not SN-1" in answer.text
    assert taken(pages.folder) == []


@pytest.mark.parametrize(
    ("data", "fields", "status", "says"),
    [
        (b"", {}, 400, "no file came along"),
        (b"\xff\xfe", {}, 409, "nothing was taken: service record: no UTF-8"),
        (b"{}", {"accept_key": "--new"}, 400, "accept_key"),
        (b"{}", {"accept_record": "--new"}, 400, "accept_record"),
        (b"{}", {"profile_name": "../x"}, 400, "profile_name"),
        (b" " * 270_000, {}, 413, "too long"),
    ],
)
async def test_what_is_no_record_is_one_line(
    pages: Pages, data: bytes, fields: dict[str, str], status: int, says: str
) -> None:
    """Hostile files and words: refused, nothing taken, no path of ours told."""
    async with pages.signed_in() as (client, csrf):
        answer = await client.post(TAKE, data={"csrf": csrf, **fields}, files=upload(data))
    assert answer.status_code == status, answer.text
    assert says in answer.text
    assert "dutylog-record" not in answer.text
    assert taken(pages.folder) == []


async def test_only_who_is_signed_in_takes_records(pages: Pages) -> None:
    """Neither form nor write without session and token."""
    record = encode_file(record_of(unit_id=unit_id(pages.folder)))
    async with pages.client() as client:
        assert "/record" not in (await client.get(PATH)).text
        assert (await client.post(TAKE, files=upload(record))).status_code == 401
    async with pages.signed_in() as (client, csrf):
        assert (await client.post(TAKE, data={"csrf": "x" + csrf[1:]}, files=upload(record))).status_code == 403
        two = [("file", ("a", record)), ("file", ("b", record))]
        assert (await client.post(TAKE, data={"csrf": csrf}, files=two)).status_code == 400
    assert taken(pages.folder) == []
