"""The forms of wear: what they ask of core, who may send them, and what hostile input does."""

from __future__ import annotations

import re
from dataclasses import replace
from html.parser import HTMLParser
from pathlib import Path
from urllib.parse import unquote

import pytest

from dutylog.domain.wear import DIRTS, PARTS
from web.access_parts import AccessPages, AnsweringCore, core, pages, signed_in

__all__ = ["core", "pages"]
UNIT = "00000000-0000-4000-8000-000000000002"
PATH = "/dampers/SN-rear_left/life"


class Forms(HTMLParser):
    """The forms of a page: action, and names of fields with what a browser would send untouched."""

    def __init__(self, html: str) -> None:
        super().__init__()
        self.found: dict[str, dict[str, list[str]]] = {}
        self._form: dict[str, list[str]] | None = None
        self._select = ""
        self.feed(html)

    def handle_starttag(self, tag: str, attributes: list[tuple[str, str | None]]) -> None:
        given = {name: value or "" for name, value in attributes}
        if tag == "form":
            self._form = self.found.setdefault(given["action"], {})
        elif self._form is not None and tag in ("input", "select"):
            self._select = given["name"]
            self._form.setdefault(given["name"], []).append(given.get("value", ""))
        elif self._form is not None and tag == "option":
            self._form[self._select].append(given["value"])

    def handle_endtag(self, tag: str) -> None:
        if tag == "form":
            self._form = None


FORMS = {
    f"/dampers/{UNIT}/service": (
        {"replaced_oil": "yes", "replaced_charge": "yes", "found_oil": "usable", "found_shaft_seal": "",
         "on": "2026-05-31", "note": " by the book "},
        {"command": "service", "unit": UNIT, "replaced": ["oil", "charge"], "found": {"oil": "usable"},
         "on": "2026-05-31", "note": "by the book"},
    ),
    f"/dampers/{UNIT}/mark": (
        {"mark": "nick", "distance_mm": "60", "size_mm": "1.5", "edge": "sharp", "on": "", "note": ""},
        {"command": "shaft_mark", "unit": UNIT, "mark": "nick", "distance_mm": 60.0, "size_mm": 1.5, "is_sharp": True,
         "on": None, "note": None},
    ),
    f"/dampers/{UNIT}/use": (
        {"distance": "100", "unit": "mi", "mix": "desert", "kind": "unlogged", "from_day": "", "to_day": "2026-05-31",
         "factor": "2", "note": ""},
        {"command": "stated_use", "unit": UNIT, "distance_m": pytest.approx(160_934.4), "mix": "desert",
         "kind": "unlogged", "from_day": None, "to_day": "2026-05-31", "factor": 2.0, "note": None},
    ),
    f"/dampers/{UNIT}/withdraw": (
        {"entry": "10", "why": "wrong damper"}, {"command": "withdraw", "entry": 10, "why": "wrong damper"},
    ),
    "/trips/1/dirt": (
        {"what": "mud", "washed": "no", "note": ""},
        {"command": "dirt", "trip": 1, "what": "mud", "washed": False, "note": None},
    ),
}  # fmt: skip


@pytest.mark.anyio
@pytest.mark.parametrize("action", FORMS)
async def test_a_form_reaches_core_with_the_name_of_the_session(
    pages: AccessPages, core: AnsweringCore, action: str
) -> None:
    """The form as it stands on the page, its own names and choices, without script; `by` is whoever signed in."""
    client, csrf = await signed_in(pages)
    see = action.replace("/dirt", "") if "trips" in action else f"/dampers/{UNIT}/life"
    offered = Forms((await client.get(see)).text).found[action]
    fields, request = FORMS[action]
    assert set(fields) <= set(offered)
    assert offered["csrf"] == [csrf]
    for name in ("mark", "mix", "kind", "unit", "edge", "entry", "what", "washed", "found_oil"):
        if name in fields:
            assert fields[name] in offered[name]
    answer = await client.post(action, data={**fields, "csrf": csrf, "by": "Somebody else"})
    assert (answer.status_code, answer.headers["location"]) == (303, see)
    assert core.asked == [{"schema": 1, **request, "by": "A. Miller"}]


@pytest.mark.anyio
async def test_a_whole_service_fits_into_one_form(pages: AccessPages, core: AnsweringCore) -> None:
    """All nine parts replaced and found: the limit of fields must let it pass."""
    client, csrf = await signed_in(pages)
    fields = {f"replaced_{part}": "yes" for part in PARTS} | {f"found_{part}": "worn" for part in PARTS}
    answer = await client.post(f"/dampers/{UNIT}/service", data={**fields, "csrf": csrf, "on": "", "note": ""})
    assert answer.status_code == 303
    assert core.asked[0]["replaced"] == list(PARTS)
    assert core.asked[0]["found"] == dict.fromkeys(PARTS, "worn")


@pytest.mark.anyio
async def test_who_is_not_signed_in_sees_no_form(pages: AccessPages, core: AnsweringCore) -> None:
    """And gets nowhere without one; nor does a token of another session."""
    client = pages.client()
    for see in (PATH, "/trips/1"):
        # Having a trip reviewed again writes nothing down.
        forms = re.findall(r"<form[^>]*>", (await client.get(see)).text)
        assert all('action="/trips/1/again"' in form for form in forms)
    mine, _ = await signed_in(pages)
    _, theirs = await signed_in(pages)
    for action, (fields, _) in FORMS.items():
        assert (await client.post(action, data=fields)).status_code == 401
        for csrf in ("", theirs):
            assert (await mine.post(action, data={**fields, "csrf": csrf})).status_code == 403
    assert core.asked == []


@pytest.mark.anyio
@pytest.mark.parametrize(
    ("what", "changes", "text"),
    [
        ("service", {"replaced_wheel": "yes"}, "has no part 'wheel'; it has shaft_seal"),
        ("service", {"replaced_<script>": "yes"}, "has no part '<script>'"),
        ("service", {"found_oil": "splendid"}, "splendid' is none of as_new, usable, worn, failed"),
        ("service", {"on": "31.5.2026"}, "is no date"),
        ("service", {"on": "2026-02-30"}, "is no date"),
        ("service", {"note": "x" * 501}, "500"),
        ("service", {"note": "a\x00b"}, "note"),
        ("mark", {"mark": "dent"}, "dent' is none of nick"),
        ("mark", {"distance_mm": "nan"}, "nan is no number"),
        ("mark", {"distance_mm": "inf"}, "inf is no number"),
        ("mark", {"distance_mm": "1,5"}, "is no number; write it as 1.5"),
        ("mark", {"distance_mm": "-1"}, "expected 0 to 1000"),
        ("mark", {"size_mm": ""}, "size_mm is missing"),
        ("mark", {"edge": "keen"}, "choose one"),
        ("use", {"distance": "0"}, "expected 1 to"),
        ("use", {"distance": "1e300"}, "is no number up to"),
        ("use", {"unit": "parsec"}, "none of mi, km"),
        ("use", {"mix": ""}, "mix is missing"),
        ("use", {"factor": "9"}, "expected 1 to 5"),
        ("withdraw", {"entry": "0"}, "is no entry"),
        ("withdraw", {"entry": ""}, "choose an entry"),
        ("withdraw", {"entry": "1" * 17}, "is no entry"),
        ("withdraw", {"why": "  "}, "why is missing"),
    ],
)
async def test_what_makes_no_sense_is_refused_in_one_line(
    pages: AccessPages, core: AnsweringCore, what: str, changes: dict[str, str], text: str
) -> None:
    """By the ledger's own checks, before anything reaches core."""
    client, csrf = await signed_in(pages)
    action = f"/dampers/{UNIT}/{what}"
    answer = await client.post(
        action, data={**FORMS[action][0], **changes}, headers={"X-CSRF": csrf, "Accept": "application/json"}
    )
    assert answer.status_code == 400, answer.text
    assert text in answer.json()["error"]
    assert answer.json()["error"].isprintable()
    assert core.asked == []


@pytest.mark.anyio
async def test_dirt_of_no_trip_and_of_no_kind_is_refused(pages: AccessPages, core: AnsweringCore) -> None:
    """Every word but the known ones, and every number but a trip's."""
    client, csrf = await signed_in(pages)
    good = FORMS["/trips/1/dirt"][0]
    for path, fields in (
        ("/trips/0/dirt", good), ("/trips/x/dirt", good), ("/trips/1/dirt", {**good, "what": "honey"}),
        ("/trips/1/dirt", {**good, "washed": "perhaps"}), ("/trips/1/dirt", {"what": "mud"}),
    ):  # fmt: skip
        answer = await client.post(path, data=fields, headers={"X-CSRF": csrf})
        assert answer.status_code == 400
    assert core.asked == []
    assert DIRTS == ("dust", "sand", "mud", "water")


@pytest.mark.anyio
async def test_what_core_refuses_is_shown(pages: AccessPages, tmp_path: Path) -> None:
    """An entry that is gone already, a damper that never was: the ledger's own line."""
    client, csrf = await signed_in(pages)
    with AnsweringCore(tmp_path, {"schema": 1, "ok": False, "error": "entry 10 is withdrawn already"}):
        action = f"/dampers/{UNIT}/withdraw"
        answer = await client.post(action, data={**FORMS[action][0], "csrf": csrf})
    assert answer.status_code == 409
    assert "entry 10 is withdrawn already" in answer.text


@pytest.mark.anyio
async def test_a_key_with_signs_of_its_own_leads_back_to_its_page(pages: AccessPages, core: AnsweringCore) -> None:
    """A serial such as `A/1 ?` must not become another address."""
    client, csrf = await signed_in(pages)
    for key, back in (("A%20%3F%231", "A%20%3F%231"), ("SN-1;X:1", "SN-1%3BX%3A1")):
        pages.view.damper_rows[0] = replace(pages.view.damper_rows[0], serial=unquote(key))
        answer = await client.post(f"/dampers/{key}/withdraw", data={"entry": "10", "why": "x", "csrf": csrf})
        assert answer.headers["location"] == f"/dampers/{back}/life"
    assert (await client.post("/dampers/%0d%0aX:1/withdraw", data={"entry": "10", "csrf": csrf})).status_code == 404


@pytest.mark.anyio
async def test_an_entry_of_another_damper_is_not_withdrawn_here(pages: AccessPages, core: AnsweringCore) -> None:
    """A number mistyped or an old page must not take back what belongs elsewhere, nor what dirt a trip had."""
    client, csrf = await signed_in(pages)
    action = f"/dampers/{UNIT}/withdraw"
    answer = await client.post(action, data={"entry": "11", "why": "x"}, headers={"X-CSRF": csrf})
    assert answer.status_code == 400
    assert "has no entry 11 that counts; choose one of its own list" in answer.json()["error"]
    assert core.asked == []


@pytest.mark.anyio
async def test_a_service_of_parts_that_are_not_there_is_refused(pages: AccessPages, core: AnsweringCore) -> None:
    """It would count as a replacement and teach the budgets of a part that this damper hasn't got."""
    client, csrf = await signed_in(pages)
    pages.view.life_changes = {"parts": ("shaft_seal", "oil")}
    for fields in ({"replaced_bladder": "yes"}, {"found_bladder": "worn", "replaced_oil": "yes"}):
        answer = await client.post(f"/dampers/{UNIT}/service", data=fields, headers={"X-CSRF": csrf})
        assert answer.status_code == 400
        assert "has no part 'bladder'; it has shaft_seal, oil" in answer.json()["error"]
    pages.view.life_changes = {"parts": None, "profile": "gone"}
    answer = await client.post(f"/dampers/{UNIT}/service", data={"replaced_oil": "yes"}, headers={"X-CSRF": csrf})
    assert answer.status_code == 409
    assert "its profile gone isn't in the vehicle file" in answer.json()["error"]
    assert core.asked == []
