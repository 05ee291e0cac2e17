"""Sign-in and writes, called in-process: who may, and what hostile input does."""

from __future__ import annotations

import asyncio
import json
import re
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from dutylog.web.access import NAME_LIMIT, NO_CODE_TEXT, PLAIN_COOKIE, REMOTE_TEXT, TLS_COOKIE, Refused
from dutylog.web.access_code import clear_code
from dutylog.web.access_sessions import IDLE_S, MOST_SESSIONS
from dutylog.web.guard import SECURITY_HEADERS
from web.access_parts import (
    CODE,
    REMOTE,
    WRITES,
    AccessPages,
    AnsweringCore,
    bare,
    core,
    csrf_in,
    pages,
    signed_in,
)

__all__ = ["bare", "core", "pages"]
pytestmark = pytest.mark.anyio
READ_PATHS = [
    "/",
    "/trips",
    "/trips/1",
    "/dampers",
    "/health",
    "/health.json",
    "/api/live",
    "/api/trips",
    "/line",
    "/sign-in",
]


@pytest.mark.parametrize("path", READ_PATHS)
async def test_without_a_code_only_this_machine_sees_the_pages(bare: AccessPages, path: str) -> None:
    """A page that nobody locked isn't open to a network by a slip."""
    assert (await bare.client().get(path)).status_code == 200
    for address in (REMOTE, ("2001:db8::7", 1), ("", 1), ("localhost", 1), ("::ffff:192.168.4.9", 1)):
        answer = await bare.client(address=address).get(path)
        assert answer.status_code == 403
        assert answer.text == REMOTE_TEXT + "\n"
    assert (await bare.client(address=("::ffff:127.0.0.1", 1)).get(path)).status_code == 200
    assert (await bare.client(address=("::1", 1)).get(path)).status_code == 200


@pytest.mark.parametrize("path", READ_PATHS)
async def test_with_a_code_whoever_reaches_the_pages_may_look(pages: AccessPages, path: str) -> None:
    """Phones of the team on the vehicle's Wi-Fi."""
    assert (await pages.client(address=REMOTE).get(path)).status_code == 200
    clear_code(pages.data_dir)
    assert (await pages.client(address=REMOTE).get(path)).status_code == 403


async def test_a_forwarded_address_counts_for_nothing(bare: AccessPages) -> None:
    """Anybody can write such a header."""
    for header in ("X-Forwarded-For", "Forwarded", "X-Real-IP"):
        answer = await bare.client(address=REMOTE).get("/", headers={header: "127.0.0.1"})
        assert answer.status_code == 403


@pytest.mark.parametrize("path", WRITES)
@pytest.mark.parametrize("address", [("127.0.0.1", 1), REMOTE])
async def test_every_write_needs_sign_in_on_this_machine_too(
    pages: AccessPages, core: AnsweringCore, path: str, address: tuple[str, int]
) -> None:
    """A browser on the logger itself runs other people's pages as well."""
    answer = await pages.client(address=address).post(path, data={"name": "x"})
    assert answer.status_code == 401
    assert "sign in" in answer.text
    assert core.asked == []


@pytest.mark.parametrize("path", ["/sign-in", *WRITES])
async def test_without_a_code_nobody_writes(bare: AccessPages, path: str) -> None:
    answer = await bare.client().post(path, data={"name": "A", "code": ""}, headers={"Accept": "application/json"})
    assert answer.status_code in (401, 403)
    assert answer.json()["error"] == NO_CODE_TEXT


async def test_sign_in_gives_a_cookie_that_scripts_and_other_sites_do_not_see(pages: AccessPages) -> None:
    answer = await pages.sign_in(pages.client())
    assert (answer.status_code, answer.headers["location"]) == (303, "/")
    name, _, rest = answer.headers["set-cookie"].partition("=")
    token, _, attributes = rest.partition(";")
    assert name == PLAIN_COOKIE
    assert re.fullmatch(r"[A-Za-z0-9_-]{43}", token)
    assert {part.strip() for part in attributes.split(";")} == {
        "Path=/",
        "Max-Age=86400",
        "HttpOnly",
        "SameSite=Strict",
    }
    assert pages.access.counters.signed_in_count == 1


async def test_over_tls_the_cookie_is_secure_and_bound_to_the_host(pages: AccessPages) -> None:
    """A plain page of the same host can't set or read it."""
    client = pages.client("https://127.0.0.1:8321")
    answer = await pages.sign_in(client)
    assert answer.headers["set-cookie"].startswith(TLS_COOKIE + "=")
    assert "Secure" in answer.headers["set-cookie"].split("; ")
    assert "Domain" not in answer.headers["set-cookie"]
    token = answer.headers["set-cookie"].split("=", 1)[1].split(";")[0]
    assert 'name="csrf"' in (await client.get("/")).text
    plain = await pages.client().get("/", headers={"Cookie": f"{TLS_COOKIE}={token}"})
    assert 'name="csrf"' not in plain.text


async def test_a_signed_in_page_shows_who_and_is_kept_by_nobody(pages: AccessPages) -> None:
    client, _ = await signed_in(pages)
    for path in ("/", "/trips", "/trips/1", "/dampers", "/sign-in", "/sign-out", "/nothing"):
        answer = await client.get(path)
        assert "A. Miller" in answer.text
        assert "Sign out" in answer.text
        assert answer.headers["cache-control"] == "no-store"
    stranger = (await pages.client().get("/")).text
    assert "A. Miller" not in stranger
    assert "csrf" not in stranger
    assert 'href="/sign-in"' in stranger


async def test_sign_out_ends_the_session_and_takes_the_cookie_away(pages: AccessPages) -> None:
    client, csrf = await signed_in(pages)
    kept = dict(client.cookies)
    answer = await client.post("/sign-out", data={"csrf": csrf})
    assert (answer.status_code, answer.headers["location"]) == (303, "/")
    assert "Max-Age=0" in answer.headers["set-cookie"]
    assert pages.access.sessions_count == 0
    old = await pages.client().get("/", headers={"Cookie": f"{PLAIN_COOKIE}={kept[PLAIN_COOKIE]}"})
    assert "csrf" not in old.text


async def test_each_sign_in_has_a_token_of_its_own_and_ends_the_one_before(pages: AccessPages) -> None:
    """A token that somebody planted beforehand is worth nothing."""
    client = pages.client()
    planted = "A" * 43
    client.cookies.set(PLAIN_COOKIE, planted, domain="127.0.0.1")
    await pages.sign_in(client)
    tokens = {cookie.value for cookie in client.cookies.jar if cookie.value != planted}
    assert len(tokens) == 1
    before = tokens.pop()
    fresh = pages.client()
    fresh.cookies.set(PLAIN_COOKIE, before, domain="127.0.0.1")
    answer = await fresh.post("/sign-in", data={"name": "A", "code": CODE})
    assert before not in answer.headers["set-cookie"]
    assert pages.access.sessions_count == 1
    old = await pages.client().get("/", headers={"Cookie": f"{PLAIN_COOKIE}={before}"})
    assert "csrf" not in old.text


async def test_a_changed_or_cleared_code_signs_everybody_out_at_once(pages: AccessPages) -> None:
    """Somebody left the team."""
    first, csrf = await signed_in(pages)
    pages.set_code("another long code", b"f" * 16)
    answer = await first.post("/trips/1/name", data={"csrf": csrf, "name": "x"})
    assert answer.status_code == 401
    assert (await pages.sign_in(first)).status_code == 401
    assert (await pages.sign_in(first, code="another long code")).status_code == 303
    clear_code(pages.data_dir)
    assert "csrf" not in (await first.get("/")).text
    assert pages.access.sessions_count == 0
    assert pages.said.count("the access code was changed or cleared; everybody is signed out") == 2


async def test_the_same_code_set_again_signs_everybody_out_too(pages: AccessPages) -> None:
    client, _ = await signed_in(pages)
    pages.set_code(CODE, b"g" * 16)
    assert "csrf" not in (await client.get("/")).text


async def test_an_idle_session_ends(pages: AccessPages) -> None:
    client, csrf = await signed_in(pages)
    pages.clock.advance(IDLE_S + 1)
    assert (await client.post("/trips/1/name", data={"csrf": csrf})).status_code == 401


async def test_an_acknowledgement_reaches_core_with_the_name_of_the_session(
    pages: AccessPages, core: AnsweringCore
) -> None:
    """A name in the request itself would be anybody's."""
    client, csrf = await signed_in(pages)
    answer = await client.post(
        "/alerts/a-1/acknowledge",
        content=b'{"by": "Somebody else"}',
        headers={"X-CSRF": csrf, "Content-Type": "application/json", "Accept": "application/json"},
    )
    assert (answer.status_code, answer.json()["ok"], answer.json()["text"]) == (200, True, "done so")
    assert core.asked == [{"schema": 1, "command": "acknowledge", "alert": "a-1", "by": "A. Miller"}]


async def test_a_write_without_a_body_needs_no_content_type(pages: AccessPages, core: AnsweringCore) -> None:
    client, csrf = await signed_in(pages)
    assert (await client.post("/alerts/a-1/acknowledge", headers={"X-CSRF": csrf})).status_code == 200
    assert len(core.asked) == 1


async def test_a_trip_is_renamed_by_a_form_without_script(pages: AccessPages, core: AnsweringCore) -> None:
    """The form of the trip's page, sent as a browser does."""
    client, _ = await signed_in(pages)
    page = (await client.get("/trips/1")).text
    action = re.findall(r'action="(/trips/1/name)"', page)
    answer = await client.post(action[0], data={"csrf": csrf_in(page), "name": " Dünen & Staub "})
    assert (answer.status_code, answer.headers["location"]) == (303, "/trips/1")
    answer = await client.post(action[0], data={"csrf": csrf_in(page), "name": ""})
    assert answer.status_code == 303
    assert [request["name"] for request in core.asked] == ["Dünen & Staub", None]
    assert 'action="/trips/1/name"' not in (await pages.client().get("/trips/1")).text


@pytest.mark.parametrize(
    ("reply", "status"),
    [
        ({"schema": 1, "ok": False, "error": "no trip 1;\nsee\x00 the list"}, 409),
        ({"schema": 1, "ok": False}, 409),
        ({"schema": 1, "error": 5}, 409),
    ],
)
async def test_what_core_refuses_is_told_in_one_line(
    pages: AccessPages, tmp_path: Path, reply: dict[str, Any], status: int
) -> None:
    client, csrf = await signed_in(pages)
    with AnsweringCore(tmp_path, reply):
        answer = await client.post("/trips/1/name", data={"name": "x"}, headers={"X-CSRF": csrf})
    assert answer.status_code == status
    assert answer.json()["error"].isprintable()


async def test_without_core_a_write_says_so(pages: AccessPages) -> None:
    client, csrf = await signed_in(pages)
    answer = await client.post("/alerts/a-1/acknowledge", headers={"X-CSRF": csrf})
    assert (answer.status_code, answer.json()["error"]) == (503, "the logger isn't running; nothing was changed")


@pytest.mark.parametrize("number", ["0", "-1", "1e3", "x", "%00", "1;2", "9" * 12, "٣", "1%0d%0aX:1"])
async def test_what_is_no_trip_number_never_reaches_core(pages: AccessPages, core: AnsweringCore, number: str) -> None:
    client, csrf = await signed_in(pages)
    answer = await client.post(f"/trips/{number}/name", data={"name": "x"}, headers={"X-CSRF": csrf})
    assert answer.status_code == 400
    assert core.asked == []


@pytest.mark.parametrize("alert", ["%00", "a%0ab", "%20", "x" * 41, "a%2fb"])
async def test_what_is_no_alert_never_reaches_core(pages: AccessPages, core: AnsweringCore, alert: str) -> None:
    client, csrf = await signed_in(pages)
    answer = await client.post(f"/alerts/{alert}/acknowledge", headers={"X-CSRF": csrf})
    assert answer.status_code in (400, 404, 405)
    assert core.asked == []


@pytest.mark.parametrize(
    "name", ["", " ", "a\x00b", "a\nb", "a\x1bb", "a\u202eb", "\ud800", "x" * (NAME_LIMIT + 1), "\ufeff", "a\u2028b"]
)
async def test_a_name_that_cannot_be_shown_is_refused(pages: AccessPages, name: str) -> None:
    """It is printed, stored and sent to brokers for years."""
    answer = await pages.client().post(
        "/sign-in",
        content=json.dumps({"name": name, "code": CODE}),
        headers={"Content-Type": "application/json", "Accept": "application/json"},
    )
    assert answer.status_code == 400
    assert "name" in answer.json()["error"]
    assert pages.access.sessions_count == 0
    assert pages.access.counters.wrong_count == 0


@pytest.mark.parametrize(
    "name", ["李小龙", "Zoë", "Z", "Müller-Lüdenscheidt", "محمد", "x" * NAME_LIMIT, "<b>&'\"", "🚙 crew"]
)
async def test_names_of_people_are_taken_and_shown_as_text(pages: AccessPages, name: str) -> None:
    client = pages.client()
    assert (await pages.sign_in(client, name)).status_code == 303
    text = (await client.get("/")).text
    assert "<b>&" not in text
    assert (
        name.replace("&", "&amp;").replace("<", "&lt;").replace(">", "&gt;").replace("'", "&#39;").replace('"', "&#34;")
        in text
    )


async def test_a_wrong_code_is_one_line_and_never_said_again(pages: AccessPages) -> None:
    """Neither in the answer nor in the log: it may be the right code of another logger."""
    wrong = "my bank password 123"
    answer = await pages.sign_in(pages.client(address=REMOTE), code=wrong)
    assert answer.status_code == 401
    assert "the access code is wrong" in answer.text
    assert 'value="A. Miller"' in answer.text
    assert wrong not in answer.text
    assert pages.said == ["sign-in from 192.168.4.77: wrong code (1 since the start)"]
    health = (await pages.client().get("/health")).text
    assert "access: code set, 0 signed in now, 0 signed in, 1 wrong codes, 0 held up\n" in health


async def test_ten_thousand_wrong_codes_quickly_are_held_up(pages: AccessPages) -> None:
    """Guessing by program: four tries, then seconds, then minutes; and memory stays as it was."""
    client = pages.client(address=REMOTE)
    statuses = [(await pages.sign_in(client, code=f"wrong {n}")).status_code for n in range(100)]
    for n in range(9_900):
        refused = await pages.access.sign_in(REMOTE[0], "A", f"wrong {n}")
        statuses.append(refused.status if isinstance(refused, Refused) else 0)
    assert statuses[:4] == [401] * 4
    assert set(statuses[4:]) == {429}
    assert pages.access.counters.wrong_count == 4
    assert pages.access.counters.held_count == 9_996
    assert len(pages.said) == 4
    held = await pages.sign_in(client, code=CODE)
    assert (held.status_code, held.headers["retry-after"]) == (429, "2")
    assert (await pages.sign_in(pages.client(), code=CODE)).status_code == 303
    pages.clock.advance(2.0)
    assert (await pages.sign_in(client, code=CODE)).status_code == 303


async def test_many_at_once_gain_no_tries(pages: AccessPages) -> None:
    """Sent together, before the first answer is out."""
    client = pages.client(address=REMOTE)
    answers = await asyncio.gather(*(pages.sign_in(client, code=f"wrong {n}") for n in range(50)))
    assert sum(answer.status_code == 401 for answer in answers) == 4
    assert {answer.status_code for answer in answers} == {401, 429}


async def test_people_who_sign_in_at_once_all_get_in(pages: AccessPages) -> None:
    clients = [pages.client(address=(f"192.168.4.{n}", 1)) for n in range(5)]
    answers = await asyncio.gather(*(pages.sign_in(c, f"crew {n}") for n, c in enumerate(clients)))
    assert [answer.status_code for answer in answers] == [303] * 5
    names = [re.findall(r"crew \d", (await client.get("/trips")).text)[0] for client in clients]
    assert names == [f"crew {n}" for n in range(5)]


async def test_sessions_stay_bounded(pages: AccessPages) -> None:
    for n in range(MOST_SESSIONS + 20):
        assert (await pages.sign_in(pages.client(), f"crew {n}")).status_code == 303
    assert pages.access.sessions_count == MOST_SESSIONS


@pytest.mark.parametrize(
    "then",
    [
        "//evil.example",
        "https://evil.example",
        "/\\evil.example",
        "/trips/1\r\nX: y",
        "/trips/../x",
        "javascript:alert(1)",
        "/sign-out",
        "x",
        "/trips/1 ",
    ],
)
async def test_sign_in_leads_to_our_own_pages_alone(pages: AccessPages, then: str) -> None:
    """Else a link to our sign-in would end on somebody's copy of it."""
    answer = await pages.client().post("/sign-in", data={"name": "A", "code": CODE, "next": then})
    assert (answer.status_code, answer.headers["location"]) == (303, "/")
    assert re.findall(
        r'name="next" value="([^"]*)"', (await pages.client().get("/sign-in", params={"next": then})).text
    ) == ["/"]


@pytest.mark.parametrize("then", ["/", "/trips", "/trips/12", "/dampers"])
async def test_sign_in_leads_back_to_where_one_was(pages: AccessPages, then: str) -> None:
    page = (await pages.client().get("/sign-in", params={"next": then})).text
    assert re.findall(r'name="next" value="([^"]*)"', page) == [then]
    answer = await pages.client().post("/sign-in", data={"name": "A", "code": CODE, "next": then})
    assert answer.headers["location"] == then


@pytest.mark.parametrize("path", ["/sign-in", "/sign-out", "/trips/1/name", "/alerts/1/acknowledge"])
async def test_answers_to_writes_carry_the_security_headers(pages: AccessPages, path: str) -> None:
    for answer in (await pages.client().post(path), await pages.client().post(path, headers={"Origin": "null"})):
        for name, value in SECURITY_HEADERS.items():
            assert answer.headers[name] == value


async def test_forms_send_their_origin(pages: AccessPages) -> None:
    """With no-referrer a browser's form would say `null`, which is refused."""
    assert SECURITY_HEADERS["Referrer-Policy"] == "same-origin"


async def test_a_damaged_code_file_is_said_in_health_and_lets_nobody_in(pages: AccessPages) -> None:
    (pages.data_dir / "access.json").write_text("{}", encoding="ascii")
    assert "damaged; set it anew with dutylog access set" in (await pages.client().get("/health")).text
    assert (await pages.client(address=REMOTE).get("/")).status_code == 403
    assert (await pages.sign_in(pages.client())).status_code == 403


async def test_a_code_changed_while_it_is_worked_out_is_not_the_right_one(
    pages: AccessPages, monkeypatch: pytest.MonkeyPatch
) -> None:
    """It takes a second; somebody may change it just then."""
    real: Callable[..., bool] = type(pages.access._store.current()).matches  # type: ignore[arg-type]

    def slow(hashed: Any, code: str) -> bool:
        right = real(hashed, code)
        pages.set_code("another long code", b"f" * 16)
        return right

    monkeypatch.setattr("dutylog.web.access_code.HashedCode.matches", slow)
    assert (await pages.sign_in(pages.client())).status_code == 401
    assert pages.access.sessions_count == 0
