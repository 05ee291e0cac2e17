"""Requests that other sites, scripts and mistakes send to sign-in and writes: refused, in one line."""

from __future__ import annotations

from collections.abc import AsyncIterator

import httpx
import pytest

from dutylog.web.access import PLAIN_COOKIE, TLS_COOKIE
from dutylog.web.access_body import MOST_BYTES
from web.access_parts import (
    BASE,
    CODE,
    WRITES,
    AccessPages,
    AnsweringCore,
    core,
    pages,
    signed_in,
)

__all__ = ["core", "pages"]
pytestmark = pytest.mark.anyio


@pytest.mark.parametrize("path", WRITES)
async def test_the_token_of_another_session_opens_nothing(pages: AccessPages, core: AnsweringCore, path: str) -> None:
    mine, _ = await signed_in(pages)
    _, theirs = await signed_in(pages)
    for given in (theirs, "", "x" * 43, "é", theirs[:-1], "\u0000"):
        headers = {"X-CSRF": given} if given.isascii() and given.isprintable() else {}
        answer = await mine.post(path, data={"csrf": given, "name": "x"}, headers=headers)
        assert answer.status_code == 403, given
    assert core.asked == []
    assert pages.access.sessions_count == 2


@pytest.mark.parametrize("path", ["/sign-in", *WRITES])
@pytest.mark.parametrize(
    "headers",
    [
        {"Origin": "http://evil.example"},
        {"Origin": "null"},
        {"Origin": ""},
        {"Origin": "http://127.0.0.1:8322"},
        {"Origin": "https://127.0.0.1:8321"},
        {"Origin": "http://127.0.0.1:8321.evil.example"},
        {"Sec-Fetch-Site": "cross-site"},
        {"Sec-Fetch-Site": "same-site"},
        {"Sec-Fetch-Site": "none"},
        {"Origin": BASE, "Sec-Fetch-Site": "cross-site"},
    ],
)
async def test_what_another_site_sends_is_refused(
    pages: AccessPages, core: AnsweringCore, path: str, headers: dict[str, str]
) -> None:
    """Even with the session's own token, which such a site can't know."""
    client, csrf = await signed_in(pages)
    answer = await client.post(path, data={"csrf": csrf, "name": "A", "code": CODE}, headers=headers)
    assert answer.status_code == 403
    assert core.asked == []
    assert pages.access.counters.signed_in_count == 1


async def test_what_our_own_page_sends_is_taken(pages: AccessPages, core: AnsweringCore) -> None:
    client, csrf = await signed_in(pages)
    headers = {"Origin": BASE, "Sec-Fetch-Site": "same-origin"}
    assert (await client.post("/trips/1/name", data={"csrf": csrf, "name": "A"}, headers=headers)).status_code == 303
    assert len(core.asked) == 1


async def test_a_rebound_name_writes_nothing(pages: AccessPages) -> None:
    """DNS rebinding: the site's own name in Host and Origin, our address behind it."""
    client = pages.client("http://evil.example:8321")
    answer = await client.post(
        "/sign-in", data={"name": "A", "code": CODE}, headers={"Origin": "http://evil.example:8321"}
    )
    assert answer.status_code == 421
    assert pages.access.counters.signed_in_count == 0


@pytest.mark.parametrize("method", ["PUT", "DELETE", "PATCH", "OPTIONS", "TRACE", "CONNECT", "BREW", "post"])
@pytest.mark.parametrize("path", ["/sign-in", *WRITES])
async def test_a_write_path_takes_get_and_post_alone(pages: AccessPages, path: str, method: str) -> None:
    client, csrf = await signed_in(pages)
    transport = httpx.ASGITransport(pages.app)
    request = httpx.Request(
        method, BASE + path, headers={"X-CSRF": csrf, "Cookie": f"{PLAIN_COOKIE}={client.cookies[PLAIN_COOKIE]}"}
    )
    request.method = method
    answer = await transport.handle_async_request(request)
    assert answer.status_code == 405
    assert answer.headers["allow"] == "GET, HEAD, POST"


@pytest.mark.parametrize(
    "path",
    [
        "/",
        "/trips",
        "/trips/1",
        "/health",
        "/events",
        "/static/page.js",
        "/trips/1/name/",
        "/sign-in/",
        "/alerts",
        "//sign-in",
        "/alerts//acknowledge",
        "/trips/1/2/name",
    ],
)
async def test_nothing_else_takes_a_post_even_signed_in(pages: AccessPages, path: str) -> None:
    client, csrf = await signed_in(pages)
    answer = await client.post(BASE + path, headers={"X-CSRF": csrf})
    assert answer.status_code == 405
    assert answer.text.count("\n") == 1


@pytest.mark.parametrize(
    ("kind", "body", "status"),
    [
        ("text/plain", b"csrf=x", 415),
        ("multipart/form-data; boundary=x", b"--x--", 415),
        ("", b"name=x", 415),
        ("application/xml", b"<a/>", 415),
        ("application/json", b"[1]", 400),
        ("application/json", b"{", 400),
        ("application/json", b'{"name": 5}', 400),
        ("application/json", b'{"name": "a", "name": "b"}', 400),
        ("application/json", b"\xff\xfe", 400),
        ("application/json", b"[" * 8000, 400),
        ("application/json", b'"' + b"9" * 5000 + b'"', 400),
        ("application/json", b"9" * 8000, 400),
        ("application/x-www-form-urlencoded", b"name=a&name=b", 400),
        ("application/x-www-form-urlencoded", b"name=%ff%fe", 400),
        ("application/x-www-form-urlencoded", "name=ü".encode(), 400),
        ("application/x-www-form-urlencoded", b"&".join(b"f%d=1" % n for n in range(50)), 400),
        ("application/x-www-form-urlencoded", b"a" * (MOST_BYTES + 1), 413),
        ("application/json", b" " * 10_000_000, 413),
    ],
)
async def test_a_body_of_another_kind_is_refused_in_one_line(
    pages: AccessPages, core: AnsweringCore, kind: str, body: bytes, status: int
) -> None:
    client, csrf = await signed_in(pages)
    for path in ("/trips/1/name", "/sign-in"):
        answer = await client.post(path, content=body, headers={"X-CSRF": csrf, "Content-Type": kind})
        assert answer.status_code == status
        assert "\n" not in answer.json()["error"]
    assert core.asked == []
    assert pages.access.counters.signed_in_count == 1


async def test_a_body_without_a_length_is_counted_as_it_comes(pages: AccessPages) -> None:
    """Chunked: no header says how much there will be."""
    sent = 0

    async def endless() -> AsyncIterator[bytes]:
        nonlocal sent
        for _ in range(10_000):
            sent += 1000
            yield b"a" * 1000

    answer = await pages.client().post(
        "/sign-in", content=endless(), headers={"Content-Type": "application/x-www-form-urlencoded"}
    )
    assert answer.status_code == 413
    assert answer.headers["connection"] == "close"
    assert sent <= MOST_BYTES + 2000


@pytest.mark.parametrize(
    "cookie",
    [
        "",
        "=",
        ";;;",
        PLAIN_COOKIE,
        f"{PLAIN_COOKIE}=",
        f'{PLAIN_COOKIE}="x"',
        f"{PLAIN_COOKIE}={'A' * 43}",
        f"{PLAIN_COOKIE}={'A' * 5000}",
        f"{PLAIN_COOKIE}=\xff\xfe",
        "a=b; " * 900,
        f"{PLAIN_COOKIE}=..%00/../x",
        TLS_COOKIE + "=x",
    ],
)
async def test_a_bad_cookie_is_nobody(pages: AccessPages, cookie: str) -> None:
    await pages.sign_in(pages.client())
    for path in ("/", "/trips", "/health.json"):
        answer = await pages.client().get(path, headers={"Cookie": cookie.encode("latin-1")})
        assert answer.status_code == 200
        assert "csrf" not in answer.text
