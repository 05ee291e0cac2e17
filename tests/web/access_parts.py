"""Codes, cores and pages for the tests of access."""

from __future__ import annotations

import hashlib
import json
import socket
import threading
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any, Self

import httpx
import pytest

from dutylog.clock import ManualClock
from dutylog.sockets import CORE, listen
from dutylog.web.access import Access
from dutylog.web.access_code import HashedCode, write_code
from dutylog.web.app import create_app
from dutylog.web.feed import LiveFeed
from dutylog.web.review_desk import ReviewDesk
from dutylog.web.settings import WebSettings
from web.life_samples import fake_jobs
from web.samples import FakeLedgerView, fake_ledger

CODE = "seven dusty miles"
BASE = "http://127.0.0.1:8321"
REMOTE = ("192.168.4.77", 40_000)


def quick_code(code: str = CODE, salt: bytes = b"0123456789abcdef") -> HashedCode:
    """Return a code whose hash takes no time; the file says so itself."""
    digest = hashlib.scrypt(code.encode(), salt=salt, n=2, r=1, p=1, dklen=32)
    return HashedCode(2, 1, 1, salt, digest, 1_764_000_000_000_000_000, True)


class AnsweringCore:
    """Takes one-line requests at core's socket and answers what it is told to; keeps what it was asked."""

    def __init__(self, data_dir: Path, reply: dict[str, Any]) -> None:
        self.asked: list[dict[str, Any]] = []
        self._reply = reply
        self._listener = listen(data_dir, CORE, 8)
        self._listener.setblocking(True)
        self._thread = threading.Thread(target=self._answer)

    def __enter__(self) -> Self:
        self._thread.start()
        return self

    def __exit__(self, _kind: object, _err: object, _trace: object) -> None:
        self._listener.shutdown(socket.SHUT_RDWR)
        self._thread.join(10)
        self._listener.close()

    def _answer(self) -> None:
        while True:
            try:
                client, _ = self._listener.accept()
            except OSError:
                return
            with client:
                client.settimeout(10)
                self.asked.append(json.loads(client.makefile("rb").readline()))
                client.sendall(json.dumps(self._reply).encode() + b"\n")


class AccessPages:
    """The application with a data folder of its own and a clock that a test moves."""

    def __init__(self, data_dir: Path, view: FakeLedgerView | None = None, **settings: Any) -> None:
        self.data_dir = data_dir
        self.clock = ManualClock(mono_ns=10**12)
        self.said: list[str] = []
        self.access = Access(data_dir, self.clock, self.said.append)
        self.view = view or fake_ledger()
        self.feed = LiveFeed(self.clock)
        self.jobs = fake_jobs()
        made = WebSettings(data_dir=data_dir, **settings)
        self.desk = ReviewDesk(None)
        self.app = create_app(self.feed, self.view, made, access=self.access, jobs=self.jobs, desk=self.desk)

    def set_code(self, code: str = CODE, salt: bytes = b"0123456789abcdef") -> None:
        write_code(self.data_dir, quick_code(code, salt))

    def client(self, base: str = BASE, address: tuple[str, int] = ("127.0.0.1", 123)) -> httpx.AsyncClient:
        return httpx.AsyncClient(transport=httpx.ASGITransport(self.app, client=address), base_url=base)

    async def sign_in(self, client: httpx.AsyncClient, name: str = "A. Miller", code: str = CODE) -> httpx.Response:
        return await client.post("/sign-in", data={"name": name, "code": code})


MakePages = Callable[..., AccessPages]


def csrf_in(page: str) -> str:
    """Return the token of a signed-in page."""
    return page.split('<meta name="csrf" content="', 1)[1].split('"', 1)[0]


WRITES = ["/sign-out", "/alerts/a-1/acknowledge", "/trips/1/name", "/trips/1/dirt"]
WRITES += [f"/trips/1/{what}" for what in ("split", "merge", "not-driven", "undo")]
WRITES += [f"/dampers/SN-rear_left/{what}" for what in ("service", "mark", "use", "withdraw")]


OK = {"schema": 1, "ok": True, "text": "done so"}


@pytest.fixture
def pages(tmp_path: Path) -> AccessPages:
    made = AccessPages(tmp_path)
    made.set_code()
    return made


@pytest.fixture
def bare(tmp_path: Path) -> AccessPages:
    """Pages without a code."""
    return AccessPages(tmp_path)


@pytest.fixture
def core(tmp_path: Path) -> Iterator[AnsweringCore]:
    with AnsweringCore(tmp_path, OK) as answering:
        yield answering


async def signed_in(pages: AccessPages, **more: Any) -> tuple[httpx.AsyncClient, str]:
    client = pages.client(**more)
    answer = await pages.sign_in(client)
    assert answer.status_code == 303
    return client, csrf_in((await client.get("/")).text)
