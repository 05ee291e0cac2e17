"""A bench's pages, called in-process, with one account of each role: what their tests share. Names are invented."""

from __future__ import annotations

import re
import shutil
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import httpx

from dutylog.bench.roles import MANAGER, ROLES, TECHNICIAN, VIEWER
from dutylog.bench.store.chain import Entry, Who
from dutylog.bench.store.store import Store
from dutylog.clock import ManualClock
from dutylog.config.bench import BenchSettings
from dutylog.web.access_code import HashedCode
from dutylog.web.bench.accounts import BenchAccess, set_account
from dutylog.web.bench.app import create_bench_app
from web.access_parts import CODE, quick_code

BASE = "http://127.0.0.1:8322"
NOW = datetime(2026, 11, 30, 9, 0, tzinfo=UTC)
NAMES = {VIEWER: "Vera", TECHNICIAN: "Theo", MANAGER: "Mona"}
OTHER_CODE = "eight muddy creeks"
NOBODY_ROLE = "nobody"


def code_of(name: str, code: str = CODE) -> HashedCode:
    """Return a code whose hash takes no time, with a salt of its own."""
    return quick_code(code, name.encode().ljust(16, b"."))


def make_store(file: Path) -> None:
    """Make a store with one account of each role."""
    setup = Who("setup", "program")
    with Store.open(file, ManualClock(0, round(NOW.timestamp()) * 10**9)) as store:
        with store.write(setup) as tx:
            told = {"bench_id": "b-1", "name": "Ridge", "key_id": "0123456789abcdef", "public_key": "ab" * 32}
            tx.append("bench_put", told)
        for role in reversed(ROLES):
            set_account(store, setup, NAMES[role], role, code=code_of(NAMES[role]))


class BenchOf:
    """The application over a store of its own, with a clock that a test moves. made: a store to begin with."""

    def __init__(self, folder: Path, made: Path, **settings: Any) -> None:
        shutil.copy(made, folder / "bench.sqlite")
        self.clock = ManualClock(10**12, round(NOW.timestamp()) * 10**9)
        self.store = Store.open(folder / "bench.sqlite", self.clock)
        self.said: list[str] = []
        self.access = BenchAccess(self.store, self.clock, self.said.append)
        self.settings = BenchSettings(folder, "Ridge", **settings)
        self.app = create_bench_app(self.store, self.settings, access=self.access, clock=self.clock)
        self.frame = self.app.state.frame

    def client(self, address: str = "127.0.0.1", base: str = BASE) -> httpx.AsyncClient:
        return httpx.AsyncClient(transport=httpx.ASGITransport(self.app, client=(address, 40_000)), base_url=base)

    async def sign_in(
        self, client: httpx.AsyncClient, name: str, password: str = CODE, then: str = "/"
    ) -> httpx.Response:
        return await client.post("/sign-in", data={"name": name, "password": password, "next": then})

    async def of(self, role: str, address: str = "127.0.0.1") -> Person:
        """Return somebody of a role, signed in; nobody for NOBODY_ROLE."""
        client = self.client(address)
        if role == NOBODY_ROLE:
            return Person(client, "")
        answer = await self.sign_in(client, NAMES[role])
        assert answer.status_code == 303, answer.text
        return Person(client, csrf_in((await client.get("/")).text))

    def entries(self, kind: str | None = None) -> tuple[Entry, ...]:
        """Return the newest entries, the newest first."""
        with self.store.read() as reading:
            return reading.entries(None, 200, kind)


class Person:
    """Somebody at a screen. csrf: of their session, '' while not signed in."""

    def __init__(self, client: httpx.AsyncClient, csrf: str) -> None:
        self.client = client
        self.csrf = csrf

    async def get(self, path: str, **more: Any) -> httpx.Response:
        return await self.client.get(path, **more)

    async def post(self, path: str, files: Any = None, **fields: str) -> httpx.Response:
        return await self.client.post(path, data={"csrf": self.csrf, **fields}, files=files)


def csrf_in(page: str) -> str:
    """Return the token of a signed-in page."""
    found = re.search(r'<meta name="csrf" content="([^"]+)"', page)
    assert found, page[:300]
    return found[1]


def text_of(page: str) -> str:
    """Return what a page says, without its tags, on one line."""
    body = re.sub(r"<(script|style)[^>]*>.*?</\1>", " ", page, flags=re.DOTALL)
    plain = re.sub(r"<[^>]+>", " ", body).replace("\u00a0", " ").replace("&#39;", "'").replace("&nbsp;", " ")
    return " ".join(plain.split())
