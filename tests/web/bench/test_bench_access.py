"""Who may do what on the bench's pages: every route for every role, signing in, and what hostile requests get."""

from __future__ import annotations

import asyncio
import re
from pathlib import Path

import pytest

from dutylog.bench.roles import MANAGER, ROLES, TECHNICIAN, VIEWER, reaches
from dutylog.bench.store.chain import Who
from dutylog.clock import ManualClock
from dutylog.errors import InputError
from dutylog.web.access_limit import BURST_COUNT, FREE_COUNT
from dutylog.web.access_sessions import IDLE_S
from dutylog.web.bench.accounts import COOKIES, WRONG_TEXT, find_account, set_account, set_own_password
from dutylog.web.bench.upload import MOST_FORM_BYTES, MOST_UPLOAD_BYTES
from dutylog.web.bench.wrong_tries import MOST_KEPT, WrongTries
from dutylog.web.guard import SECURITY_HEADERS
from web.access_parts import CODE
from web.bench.bench_parts import BASE, NAMES, NOBODY_ROLE, OTHER_CODE, BenchOf, Person, code_of, csrf_in, text_of

pytestmark = pytest.mark.anyio
OPEN_PATHS = {"/sign-in", "/favicon.ico", "/static"}
PAGE = Path(__file__).parents[3] / "shared" / "BENCH_ACCESS.md"
KEYBOARD = Who("keyboard", MANAGER)


def filled(path: str) -> str:
    """Return an address of a route, with something that isn't there in its places."""
    return re.sub(r"\{[^}]+\}", "77", path)


def test_every_route_was_added_through_the_frame(shop: BenchOf) -> None:
    """A route beside it would have no role; and the walk below would miss it."""
    known = {(one.method, one.path) for one in shop.frame.routes}
    found = set()
    for route in shop.app.routes:
        path, methods = getattr(route, "path", ""), getattr(route, "methods", None) or {"GET"}
        if path not in OPEN_PATHS:
            found |= {("GET" if method == "HEAD" else method, path) for method in methods}
    assert found == known
    assert len(known) > 15


async def test_a_route_beside_the_frame_is_closed_all_the_same(shop: BenchOf) -> None:
    @shop.app.get("/left-open")
    async def left_open() -> str:
        return "customers"

    answer = await shop.client().get("/left-open")
    assert (answer.status_code, answer.headers["location"]) == (303, "/sign-in?next=%2Fleft-open")
    assert "customers" not in answer.text


@pytest.mark.parametrize("role", [NOBODY_ROLE, *ROLES])
async def test_every_route_takes_those_it_is_for_and_no_others(shop: BenchOf, role: str) -> None:
    """One table says the least role of each; here each is tried by each."""
    before = len(shop.entries())
    person = await shop.of(role)
    for route in [one for one in shop.frame.routes if one.path != "/sign-out"]:
        path = filled(route.path)
        answer = await (person.get(path) if route.method == "GET" else person.post(path))
        where = f"{route.method} {route.path} as {role}: {answer.status_code} {text_of(answer.text)[:200]}"
        if role == NOBODY_ROLE:
            away = (303, f"/sign-in?next={path.replace('/', '%2F')}")
            assert route.method == "POST" or (answer.status_code, answer.headers["location"]) == away, where
            assert route.method == "GET" or answer.status_code == 401, where
        elif reaches(role, route.least):
            assert answer.status_code in (200, 303, 400, 404, 409), where
        else:
            assert answer.status_code == 403, where
            assert f"this needs a {route.least}" in answer.text, where
    if role in (NOBODY_ROLE, VIEWER):
        grown = [one.kind for one in shop.entries()[: len(shop.entries()) - before]]
        assert set(grown) <= {"signed_in"}, grown


def test_the_table_of_routes_in_the_guide_is_the_one_that_is_asked(shop: BenchOf) -> None:
    if not PAGE.exists():
        pytest.skip("shared/BENCH_ACCESS.md isn't written yet")
    rows = re.findall(r"^\| (GET|POST) \| `([^`]+)` \| (\w+) \|", PAGE.read_text(encoding="utf-8"), re.MULTILINE)
    assert sorted(rows) == sorted((one.method, one.path, one.least) for one in shop.frame.routes)


async def test_nothing_but_the_form_is_shown_without_signing_in(shop: BenchOf) -> None:
    """Also from this machine itself, unlike the vehicle's pages."""
    with shop.store.write(KEYBOARD) as tx:
        tx.append("customer_put", {"customer_id": "c-1", "name": "Dee Example"})
    client = shop.client()
    for path in ("/", "/customers", "/customers/c-1", "/nothing", "/settings/log", "/?q=Dee"):
        answer = await client.get(path)
        assert answer.status_code == 303
        assert "Dee" not in answer.text
    asked = await client.get("/customers", headers={"Accept": "application/json"})
    assert (asked.status_code, asked.json()["error"]) == (401, "sign in first, at /sign-in")
    assert (await client.get("/static/bench.css")).status_code == 200
    form = await client.get("/sign-in?next=/customers")
    assert form.status_code == 200
    assert "Dee" not in form.text


async def test_sign_in_leads_where_somebody_wanted_to_go_and_is_written_down(shop: BenchOf) -> None:
    answer = await shop.sign_in(shop.client(), " mona ", then="/customers?x=1")
    assert (answer.status_code, answer.headers["location"]) == (303, "/customers?x=1")
    cookie = answer.headers["set-cookie"]
    assert cookie.startswith(COOKIES[0] + "=")
    assert {"HttpOnly", "SameSite=Strict", "Path=/"} <= set(cookie.split("; "))
    newest = shop.entries()[0]
    assert (newest.kind, newest.who, newest.role, newest.data) == (
        "signed_in", "Mona", MANAGER, {"address": "127.0.0.1"},
    )  # fmt: skip
    assert CODE not in " ".join(shop.said)


@pytest.mark.parametrize(
    "then",
    ["//evil.example/", "https://evil.example/", "/\\evil", "javascript:alert(1)", "evil", "/a\nb", "/" + "a" * 600],
)
async def test_sign_in_never_leads_elsewhere(shop: BenchOf, then: str) -> None:
    assert (await shop.sign_in(shop.client(), "Mona", then=then)).headers["location"] == "/"


async def test_a_wrong_name_and_a_wrong_password_are_told_alike_and_written_down(shop: BenchOf) -> None:
    set_account(shop.store, KEYBOARD, "Gone", TECHNICIAN, code=code_of("Gone"), is_closed=True)
    for name, password in (("Mona", "not this one"), ("Nobody here", CODE), ("Gone", CODE)):
        answer = await shop.sign_in(shop.client(), name, password)
        assert answer.status_code == 401
        assert WRONG_TEXT in answer.text
        newest = shop.entries()[0]
        assert (newest.kind, newest.who, newest.role) == ("sign_in_refused", "nobody", "program")
        known = None if name == "Nobody here" else name
        assert newest.data == {"address": "127.0.0.1", "name": known, "count": 1}


async def test_guessing_is_slowed_down_and_ones_own_password_opens_no_more_tries(shop: BenchOf) -> None:
    """Whoever has an account of their own must not be able to start the count for the manager's anew."""
    client = shop.client()
    for _ in range(FREE_COUNT):
        assert (await shop.sign_in(client, "Mona", "wrong")).status_code == 401
        assert (await shop.sign_in(shop.client(), "Vera")).status_code == 303
    held = await shop.sign_in(client, "mona", CODE)
    assert held.status_code == 429
    assert int(held.headers["retry-after"]) >= 1
    shop.clock.advance(3.0)
    assert (await shop.sign_in(client, "Mona")).status_code == 303


async def test_many_addresses_share_a_number_of_tries(shop: BenchOf) -> None:
    answers = [
        (await shop.sign_in(shop.client(f"10.0.0.{number}"), "Mona", "wrong")).status_code
        for number in range(1, BURST_COUNT + 3)
    ]
    assert answers == [401] * BURST_COUNT + [429, 429]
    assert len(shop.entries("sign_in_refused")) == BURST_COUNT


async def test_a_closed_account_and_another_password_end_what_is_signed_in(shop: BenchOf) -> None:
    theo, vera = await shop.of(TECHNICIAN), await shop.of(VIEWER)
    set_account(shop.store, KEYBOARD, "Theo", TECHNICIAN, is_closed=True)
    set_account(shop.store, KEYBOARD, "Vera", VIEWER, code=code_of("other", OTHER_CODE))
    for person in (theo, vera):
        assert (await person.get("/customers")).status_code == 303
        assert (await person.post("/customers", name="x")).status_code == 401
    assert (await shop.sign_in(shop.client(), "Theo")).status_code == 401
    assert (await shop.sign_in(shop.client(), "Vera", OTHER_CODE)).status_code == 303


async def test_another_role_counts_from_the_next_request(shop: BenchOf) -> None:
    theo = await shop.of(TECHNICIAN)
    assert (await theo.get("/settings/log")).status_code == 403
    set_account(shop.store, KEYBOARD, "Theo", MANAGER)
    assert (await theo.get("/settings/log")).status_code == 200
    set_account(shop.store, KEYBOARD, "Theo", VIEWER)
    assert (await theo.post("/customers", name="x")).status_code == 403


async def test_a_session_ends_when_it_is_unused_and_when_somebody_signs_out(shop: BenchOf) -> None:
    mona, theo = await shop.of(MANAGER), await shop.of(TECHNICIAN)
    assert (await theo.post("/sign-out")).headers["location"] == "/sign-in"
    assert (await theo.get("/")).status_code == 303
    shop.clock.advance(IDLE_S + 1)
    assert (await mona.get("/")).status_code == 303


async def test_a_write_needs_the_token_of_its_own_session(shop: BenchOf) -> None:
    theo, mona = await shop.of(TECHNICIAN), await shop.of(MANAGER)
    before = shop.entries("customer_put")
    for token in ("", "x", mona.csrf, theo.csrf + "x"):
        assert (await Person(theo.client, token).post("/customers", name="x")).status_code == 403
    assert shop.entries("customer_put") == before == ()
    by_script = await theo.client.post("/customers", json={"name": "Dee"}, headers={"X-CSRF": theo.csrf})
    assert (by_script.status_code, by_script.json()["text"]) == (200, "Dee is written down")


@pytest.mark.parametrize(
    "headers",
    [
        {"Origin": "http://evil.example"},
        {"Origin": "null"},
        {"Sec-Fetch-Site": "cross-site"},
        {"Sec-Fetch-Site": "same-site"},
    ],
)
async def test_a_write_from_another_site_is_refused(shop: BenchOf, headers: dict[str, str]) -> None:
    theo = await shop.of(TECHNICIAN)
    answer = await theo.client.post("/customers", data={"csrf": theo.csrf, "name": "x"}, headers=headers)
    assert answer.status_code == 403
    assert shop.entries("customer_put") == ()


async def test_other_hosts_methods_and_long_addresses_are_refused(shop: BenchOf) -> None:
    mona = await shop.of(MANAGER)
    assert (await mona.get("/", headers={"Host": "evil.example"})).status_code == 421
    assert (await mona.client.request("PUT", "/customers")).status_code == 405
    assert (await mona.client.request("POST", "/settings/log")).status_code == 405
    assert (await mona.get("/?q=" + "a" * 2000)).status_code == 414


async def test_every_answer_carries_the_headers_and_is_kept_by_nobody(shop: BenchOf) -> None:
    mona = await shop.of(MANAGER)
    for answer in (await mona.get("/"), await mona.get("/nothing"), await shop.client().get("/")):
        for name, value in SECURITY_HEADERS.items():
            assert answer.headers[name] == value
        assert answer.headers["cache-control"] == "no-store"
    assert re.search(r'<script>|style="| on[a-z]+="', (await mona.get("/settings")).text) is None


async def test_bodies_that_are_too_long_or_of_another_kind_are_refused(shop: BenchOf) -> None:
    theo = await shop.of(TECHNICIAN)
    answer = await theo.post("/customers", name="x", note="a" * MOST_FORM_BYTES)
    assert answer.status_code == 413
    big = await theo.post("/intake/card", files={"card": ("a.card.json", b"x" * (MOST_UPLOAD_BYTES + 1))})
    assert big.status_code == 413
    other = await theo.client.post("/customers", content=b"<x/>", headers={"Content-Type": "text/xml"})
    assert other.status_code == 415
    twice = await theo.client.post(
        "/customers",
        content=f"csrf={theo.csrf}&name=a&name=b".encode(),
        headers={"Content-Type": "application/x-www-form-urlencoded"},
    )
    assert twice.status_code == 400
    multipart = await theo.post("/customers", files={"name": ("a", b"b")})
    assert multipart.status_code == 415
    assert shop.entries("customer_put") == ()


@pytest.mark.parametrize(
    "body",
    [
        b"",
        b"--x",
        b'--x\r\nContent-Disposition: form-data; name="a"\r\n\r\nb',
        b"--x\r\nContent-Disposition: nonsense\r\n\r\nb\r\n--x--\r\n",
        b"--x\r\n" * 500 + b"--x--",
        b"\x00" * 4096,
        b'--x\r\nContent-Disposition: form-data; name="\xff\xfe"\r\n\r\nb\r\n--x--\r\n',
        b"".join(b'--x\r\nContent-Disposition: form-data; name="f%d"\r\n\r\nv\r\n' % n for n in range(400))
        + b"--x--\r\n",
    ],
    ids=["empty", "begun", "cut", "nonsense", "boundaries", "zeros", "bytes", "many"],
)
async def test_a_broken_upload_gets_one_line(shop: BenchOf, body: bytes) -> None:
    theo = await shop.of(TECHNICIAN)
    headers = {"Content-Type": "multipart/form-data; boundary=x", "X-CSRF": theo.csrf}
    answer = await theo.client.post("/intake/card", content=body, headers=headers)
    assert answer.status_code in (400, 415), answer.text
    assert "Traceback" not in answer.text
    no_boundary = await theo.client.post(
        "/intake/card", content=body, headers=headers | {"Content-Type": "multipart/form-data"}
    )
    assert no_boundary.status_code in (400, 415), no_boundary.text


async def test_only_so_many_files_come_in_at_once(shop: BenchOf) -> None:
    """Each is in memory whole."""
    theo = await shop.of(TECHNICIAN)
    gate = asyncio.Event()

    async def slowly() -> object:
        async def pieces():
            yield b"--x\r\n"
            await gate.wait()
            yield b"--x--\r\n"

        headers = {"Content-Type": "multipart/form-data; boundary=x", "X-CSRF": theo.csrf}
        return await theo.client.post("/intake/card", content=pieces(), headers=headers)

    async with asyncio.TaskGroup() as group:
        waiting = [group.create_task(slowly()) for _ in range(6)]
        async with asyncio.timeout(60):
            while sum(task.done() for task in waiting) < 2:
                await asyncio.sleep(0.01)
        gate.set()
    statuses = sorted(task.result().status_code for task in waiting)  # type: ignore[attr-defined]
    assert statuses == [400, 400, 400, 400, 503, 503]


async def test_the_last_manager_stays(shop: BenchOf) -> None:
    mona = await shop.of(MANAGER)
    for fields in ({"role": TECHNICIAN}, {"role": MANAGER, "is_closed": "yes"}):
        answer = await mona.post("/settings/accounts/change", name="Mona", **fields)
        assert answer.status_code == 400
        assert "is the last manager" in answer.text
    with pytest.raises(InputError, match="last manager"):
        set_account(shop.store, KEYBOARD, "Mona", VIEWER)
    assert (await mona.get("/settings/log")).status_code == 200


async def test_a_manager_makes_changes_and_closes_accounts(shop: BenchOf) -> None:
    mona = await shop.of(MANAGER)
    fields = {"role": TECHNICIAN, "password": OTHER_CODE, "again": OTHER_CODE}
    assert (await mona.post("/settings/accounts", name="Zoë", **fields)).status_code == 303
    assert "Zoë may sign in as technician" in (await mona.get("/settings")).text
    assert (await mona.post("/settings/accounts", name="zoë", **fields)).status_code == 400
    assert (await shop.sign_in(shop.client(), "ZOË", OTHER_CODE)).status_code == 303
    for wrong in ({"again": "another"}, {"password": "short", "again": "short"}, {"role": "owner"}):
        assert (await mona.post("/settings/accounts", name="Yan", **fields | wrong)).status_code == 400
    same = {"password": "Yan Yannick", "again": "Yan Yannick", "role": VIEWER}
    assert (await mona.post("/settings/accounts", name="Yan Yannick", **same)).status_code == 400
    assert (
        await mona.post("/settings/accounts/change", name="Zoë", role=TECHNICIAN, is_closed="yes")
    ).status_code == 303
    assert (await shop.sign_in(shop.client(), "Zoë", OTHER_CODE)).status_code == 401
    assert OTHER_CODE not in "".join(one.text for one in shop.entries())


async def test_everybody_sets_their_own_password_and_must_know_the_old_one(shop: BenchOf) -> None:
    vera = await shop.of(VIEWER)
    new = {"password": OTHER_CODE, "again": OTHER_CODE}
    refused = await vera.post("/settings/password", old="not this", name="Vera", **new)
    assert refused.status_code == 400
    assert "your password of now is wrong" in refused.text
    done = await vera.post("/settings/password", old=CODE, name="Vera", **new)
    assert (done.status_code, done.headers["location"]) == (303, "/sign-in")
    assert (await vera.get("/")).status_code == 303
    assert (await shop.sign_in(shop.client(), "Vera", OTHER_CODE)).status_code == 303


async def test_over_tls_the_cookie_is_bound_to_the_host(shop: BenchOf) -> None:
    client = shop.client(base=BASE.replace("http:", "https:"))
    answer = await shop.sign_in(client, "Mona")
    assert answer.headers["set-cookie"].startswith(COOKIES[1] + "=")
    assert "Secure" in answer.headers["set-cookie"].split("; ")
    assert csrf_in((await client.get("/")).text)


async def test_the_audit_log_tells_all_of_it_in_pages(shop: BenchOf) -> None:
    mona = await shop.of(MANAGER)
    with shop.store.write(KEYBOARD) as tx:
        for number in range(130):
            tx.append("customer_put", {"customer_id": f"c-{number}", "name": f"Customer {number}"})
    first = await mona.get("/settings/log")
    assert "Customer 129" in first.text
    assert "Customer 3<" not in first.text
    older = re.search(r'href="(/settings/log\?before=[0-9]+)"', first.text)
    assert older is not None
    second = text_of((await mona.get(older[1])).text)
    assert "name: Customer 3 " in second
    assert "setup set up the bench" in second
    assert "setup changed an account" in second
    by_kind = text_of((await mona.get("/settings/log?kind=account_put")).text)
    assert "Customer" not in by_kind.replace("Customers", "")
    assert "scrypt" not in by_kind
    assert (await mona.get("/settings/log?before=nonsense")).status_code == 404
    assert NAMES[MANAGER] in second + by_kind


async def test_wrong_names_stay_out_of_the_log_and_guesses_of_a_minute_are_one_entry(shop: BenchOf) -> None:
    """People type their password where the name belongs."""
    client = shop.client()
    typed = "three wet meadows"
    assert (await shop.sign_in(client, typed, "x" * 9)).status_code == 401
    assert (await shop.sign_in(client, "somebody else", "x" * 9)).status_code == 401
    assert (await shop.sign_in(client, "mona", "x" * 9)).status_code == 401
    assert [one.data for one in shop.entries("sign_in_refused")] == [
        {"address": "127.0.0.1", "name": "Mona", "count": 1},
        {"address": "127.0.0.1", "name": None, "count": 1},
    ]
    shop.clock.advance(61.0)
    assert (await shop.sign_in(client, "mona", "x" * 9)).status_code == 401
    counts = [(one.data["name"], one.data["count"]) for one in shop.entries("sign_in_refused")]
    assert counts == [("Mona", 1), (None, 1), ("Mona", 1), (None, 1)], "the second nobody's came with the next entry"
    assert typed not in "".join(one.text for one in shop.entries()) + " ".join(shop.said)
    mona = await shop.of(MANAGER)
    assert "count: 1" in (await mona.get("/settings/log?kind=sign_in_refused")).text


def test_wrong_tries_are_counted_whole_and_bounded() -> None:
    clock = ManualClock(0, 0)
    tries, written = WrongTries(clock), []
    for second in range(300):
        written += tries.add("10.0.0.9", "Mona")
        clock.advance(1.0)
        assert len(written) <= 1 + 2 * (second // 60 + 1)
    clock.advance(61.0)
    written += tries.over()
    assert sum(one.count for one in written) == 300
    for number in range(2 * MOST_KEPT):
        tries.add(f"10.1.{number // 256}.{number % 256}", None)
    assert len(tries._since_ns) == MOST_KEPT


async def test_an_own_password_undoes_neither_a_closing_nor_a_demotion(shop: BenchOf) -> None:
    """A manager closes the account while its person types; the word that was checked was true then."""
    account = find_account(shop.store, "Theo")
    assert account is not None
    set_account(shop.store, KEYBOARD, "Theo", VIEWER)
    set_own_password(shop.store, "Theo", account.mark, code_of("new", OTHER_CODE))
    now = find_account(shop.store, "Theo")
    assert now is not None
    assert (now.role, now.is_closed) == (VIEWER, False)
    with pytest.raises(InputError, match="was changed while you typed"):
        set_own_password(shop.store, "Theo", account.mark, code_of("newer", CODE))
    set_account(shop.store, KEYBOARD, "Theo", VIEWER, is_closed=True)
    with pytest.raises(InputError, match="was changed while you typed"):
        set_own_password(shop.store, "Theo", now.mark, code_of("newer", CODE))
    assert find_account(shop.store, "Theo").is_closed  # type: ignore[union-attr]


async def test_settings_keep_what_was_typed_but_no_password(shop: BenchOf) -> None:
    mona = await shop.of(MANAGER)
    new = {"password": OTHER_CODE, "again": "another one"}
    added = await mona.post("/settings/accounts", name="Yan", role=MANAGER, **new)
    assert added.status_code == 400
    assert 'dir="auto" value="Yan"' in added.text
    changed = await mona.post("/settings/accounts/change", name="Theo", role=VIEWER, is_closed="yes", **new)
    assert changed.status_code == 400
    assert changed.text.count('name="is_closed" value="yes" checked') == 1
    for answer in (added, changed):
        assert "the two differ" in answer.text
        assert OTHER_CODE not in answer.text
        assert answer.text.count('role="alert"') == 1
